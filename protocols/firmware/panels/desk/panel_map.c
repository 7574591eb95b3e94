#include "panel_map.h"

#define TEXT(name, words) static const char name[] BB_FLASH = words

TEXT(t_app, "sw_ap" PIN "U1.A" LABEL "Approach");
TEXT(t_rwy, "sw_rw" PIN "U1.B" LABEL "Runway%20edge");
TEXT(t_twy, "sw_tw" PIN "U1.C" LABEL "Taxiway");
TEXT(t_stp, "sw_st" PIN "U1.D" LABEL "Stop%20bar");
TEXT(t_obs, "sw_ob" PIN "U1.E" LABEL "Obstruction");
TEXT(t_tst, "b_tst" PIN "U1.F" LABEL "Lamp%20test");
TEXT(t_in1, "int1" PIN "U1.G" LABEL "Intensity%201");
TEXT(t_in2, "int2" PIN "U1.H" LABEL "Intensity%202");
TEXT(t_in3, "int3" PIN "U2.A" LABEL "Intensity%203");
TEXT(t_in4, "int4" PIN "U2.B" LABEL "Intensity%204");
TEXT(t_in5, "int5" PIN "U2.C" LABEL "Intensity%205");
TEXT(t_uni, "b_uni" PIN "U2.D" LABEL "Unit");
TEXT(t_enc, "e_prs" PIN "D2/D3" LABEL "Pressure%20set");
TEXT(t_vol, "p_vol" PIN "A0" LABEL "Bus%20volts");
TEXT(t_bri, "p_bri" PIN "A1" LABEL "Brightness");
TEXT(l_app, "l_app" PIN "U3.A" COLOUR "white" LABEL "Approach");
TEXT(l_rwy, "l_rwy" PIN "U3.B" COLOUR "white" LABEL "Runway%20edge");
TEXT(l_twy, "l_twy" PIN "U3.C" COLOUR "blue" LABEL "Taxiway");
TEXT(l_stp, "l_stp" PIN "U3.D" COLOUR "red" LABEL "Stop%20bar");
TEXT(l_obs, "l_obs" PIN "U3.E" COLOUR "red" LABEL "Obstruction");
TEXT(l_xwd, "l_xwd" PIN "U3.F" COLOUR "amber" LABEL "Crosswind");
TEXT(l_mai, "l_mai" PIN "U3.G" COLOUR "red" LABEL "Mains%20fail");
TEXT(l_bat, "l_bat" PIN "U3.H" COLOUR "amber" LABEL "On%20battery");
TEXT(d_dir, "d_dir" PIN "U4" LABEL "Wind%20direction");
TEXT(d_spd, "d_spd" PIN "U5" LABEL "Wind%20speed");
TEXT(d_prs, "d_prs" PIN "U6" LABEL "Pressure");

#define SWITCH BB_DETAIL(BB_LOW | BB_RAW_SCAN, 10) /* closes to ground; settles within 10 ms */
#define BUTTON BB_DETAIL(BB_LOW | BB_RAW_SCAN | BB_FIRST, 10)
#define LAMP BB_DETAIL(BB_DIM, 0)

const bb_slot panel_slots[] BB_FLASH = {
    /* group 0: the encoder's pins D2 and D3 */
    BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    /* group 1: U1, the shift register nearest to the chip, inputs A to H */
    {t_app, SWITCH}, {t_rwy, SWITCH}, {t_twy, SWITCH}, {t_stp, SWITCH},
    {t_obs, SWITCH}, {t_tst, BUTTON}, {t_in1, SWITCH}, {t_in2, SWITCH},
    /* group 2: U2 */
    {t_in3, SWITCH}, {t_in4, SWITCH}, {t_in5, SWITCH}, {t_uni, BUTTON},
    BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    /* encoder, potentiometers */
    {t_enc, BB_DETAIL(BB_RAW_PIN, 4)},
    {t_vol, 1023}, {t_bri, 1023},
    /* lamps: U3, QA to QH */
    {l_app, LAMP}, {l_rwy, LAMP}, {l_twy, LAMP}, {l_stp, LAMP}, {l_obs, LAMP}, {l_xwd, LAMP}, {l_mai, LAMP}, {l_bat, LAMP},
    /* displays */
    {d_dir, BB_DETAIL(0, 3)}, {d_spd, BB_DETAIL(0, 2)}, {d_prs, BB_DETAIL(0, 5)},
};

const bb_encoder panel_encoders[] BB_FLASH = {{0, 1}};

/* Digit 0 of each driver is the rightmost digit. */
const bb_display panel_displays[] BB_FLASH = {{2, -1}, {9, -1}, {20, -1}};

const char panel_ident[] BB_FLASH = "desk";
const char panel_name[] BB_FLASH = "Ostrey%20desk";
const char panel_model[] BB_FLASH = "text=Ostrey%20desk chip=atmega328p";
