#include "panel_map.h"

/* k11 is row 1, column 1. A contact made joins its row and its column: levels are told to the board as such. */
static const char k00[] BB_FLASH = "k00"; static const char k01[] BB_FLASH = "k01"; static const char k02[] BB_FLASH = "k02"; static const char k03[] BB_FLASH = "k03";
static const char k10[] BB_FLASH = "k10"; static const char k11[] BB_FLASH = "k11"; static const char k12[] BB_FLASH = "k12"; static const char k13[] BB_FLASH = "k13";
static const char k20[] BB_FLASH = "k20"; static const char k21[] BB_FLASH = "k21"; static const char k22[] BB_FLASH = "k22"; static const char k23[] BB_FLASH = "k23";
static const char k30[] BB_FLASH = "k30"; static const char k31[] BB_FLASH = "k31"; static const char k32[] BB_FLASH = "k32"; static const char k33[] BB_FLASH = "k33";

#define KEY(id) {id, BB_DETAIL(0, 10)}

const bb_slot panel_slots[] BB_FLASH = {
    KEY(k00), KEY(k01), KEY(k02), KEY(k03), BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    KEY(k10), KEY(k11), KEY(k12), KEY(k13), BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    KEY(k20), KEY(k21), KEY(k22), KEY(k23), BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    KEY(k30), KEY(k31), KEY(k32), KEY(k33), BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
};

const char panel_ident[] BB_FLASH = "matrix";
const char panel_name[] BB_FLASH = "Matrix";
const char panel_model[] BB_FLASH = "text=Matrix";
