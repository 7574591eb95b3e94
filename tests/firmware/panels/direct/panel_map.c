#include "panel_map.h"

#define TEXT(name, words) static const char name[] BB_FLASH = words

TEXT(t_sw1, "sw1" PIN "D4");
TEXT(t_b1, "b1" PIN "D5");
TEXT(t_drk, "sdrk" PIN "D6");
TEXT(t_k00, "k00" PIN "M");
TEXT(t_k01, "k01" PIN "M");
TEXT(t_k10, "k10" PIN "M");
TEXT(t_k11, "k11" PIN "M");
TEXT(t_sel, "sel1" PIN "D8,D10");
TEXT(t_enc, "e1" PIN "D2/D3");
TEXT(t_pot, "p1" PIN "A0");
TEXT(t_l1, "l1" PIN "D9");
TEXT(t_l2, "l2" PIN "D7");
TEXT(t_l3, "l3" PIN "D11");

#define KEY BB_DETAIL(BB_LOW, 10)
#define PART BB_DETAIL(BB_LOW | BB_PART, 10)

const bb_slot panel_slots[] BB_FLASH = {
    {t_sw1, BB_DETAIL(BB_LOW | BB_RAW_PIN, 10)}, {t_b1, BB_DETAIL(BB_LOW | BB_RAW_PIN | BB_FIRST, 10)},
    {t_drk, BB_DETAIL(0, 10)}, BB_SPARE, BB_SPARE, BB_SPARE, {0, PART}, {0, PART},
    {t_k00, KEY}, {t_k01, KEY}, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    {t_k10, KEY}, {t_k11, KEY}, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    {t_sel, BB_DETAIL(0, 3)},
    {t_enc, BB_DETAIL(BB_RAW_PIN, 4)},
    {t_pot, 1023},
    {t_l1, BB_DETAIL(BB_DIM, 0)}, {t_l2, BB_DETAIL(0, 0)}, {t_l3, BB_DETAIL(BB_DIM | BB_LOW, 0)},
    BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
};

static const uint16_t codes[] BB_FLASH = {0, 1, 2};
const bb_selector panel_selectors[] BB_FLASH = {{codes, 6, 2}};
const bb_encoder panel_encoders[] BB_FLASH = {{4, 5}};
const bb_display panel_displays[] BB_FLASH = {{0, 1}};

const char panel_ident[] BB_FLASH = "direct";
const char panel_name[] BB_FLASH = "Direct%20pins";
const char panel_model[] BB_FLASH = "text=Direct%20pins chip=atmega328p";
