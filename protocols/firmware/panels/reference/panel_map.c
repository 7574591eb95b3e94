#include "panel_map.h"

#define TEXT(name, words) static const char name[] BB_FLASH = words

TEXT(t_sw1, "sw1" PIN "D4" LABEL "Direct%20pin");
TEXT(t_sw2, "sw2" PIN "Q0" LABEL "Register");
TEXT(t_sw3, "sw3" PIN "M0" LABEL "In%20a%20matrix");
TEXT(t_sel1, "sel1" PIN "A0");
TEXT(t_e1, "e1" PIN "D2/D3");
TEXT(t_p1, "p1" PIN "A1");
TEXT(t_l1, "l1" PIN "D9" COLOUR "amber");
TEXT(t_l2, "l2" PIN "D10" COLOUR "red");
TEXT(t_d1, "d1");
TEXT(t_d2, "d2");

#define PART {0, BB_DETAIL(BB_PART, 5)}

const bb_slot panel_slots[] BB_FLASH = {
    /* pins */
    {t_sw1, BB_DETAIL(BB_RAW_PIN, 5)}, BB_SPARE, BB_SPARE, PART, PART, PART, BB_SPARE, BB_SPARE,
    /* the shift register's inputs */
    {t_sw2, BB_DETAIL(BB_LOW | BB_RAW_SCAN, 5)}, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    /* rows of the matrix: on the chip a row reads low where made, but this one's contacts are reported as they are */
    {t_sw3, BB_DETAIL(0, 5)}, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    {t_sel1, BB_DETAIL(0, 5)},
    {t_e1, BB_DETAIL(BB_RAW_PIN, 4)},
    {t_p1, 1023},
    /* lamps */
    {t_l1, BB_DETAIL(BB_DIM, 0)}, {t_l2, BB_DETAIL(0, 0)}, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    /* displays */
    {t_d1, BB_DETAIL(0, 2)}, {t_d2, BB_DETAIL(0, 8)},
};

static const uint16_t codes[5] BB_FLASH = {0, 1, 2, 3, 4};
const bb_selector panel_selectors[] BB_FLASH = {{codes, 3, 3}};

const bb_encoder panel_encoders[] BB_FLASH = {{1, 2}};

const bb_display panel_displays[] BB_FLASH = {{1, -1}, {15, -1}};

const char panel_ident[] BB_FLASH = "reference";
const char panel_name[] BB_FLASH = "Reference%20desk";
const char panel_model[] BB_FLASH = "text=Reference%20board";
