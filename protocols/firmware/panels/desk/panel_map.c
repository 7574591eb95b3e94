#include "panel_map.h"

#define TEXT(name, words) static const char name[] BB_FLASH = words

TEXT(t_app, "sw_ap pin=U1.A label=Approach");
TEXT(t_rwy, "sw_rw pin=U1.B label=Runway%20edge");
TEXT(t_twy, "sw_tw pin=U1.C label=Taxiway");
TEXT(t_stp, "sw_st pin=U1.D label=Stop%20bar");
TEXT(t_obs, "sw_ob pin=U1.E label=Obstruction");
TEXT(t_tst, "b_tst pin=U1.F label=Lamp%20test");
TEXT(t_in1, "int1 pin=U1.G label=Intensity%201");
TEXT(t_in2, "int2 pin=U1.H label=Intensity%202");
TEXT(t_in3, "int3 pin=U2.A label=Intensity%203");
TEXT(t_in4, "int4 pin=U2.B label=Intensity%204");
TEXT(t_in5, "int5 pin=U2.C label=Intensity%205");
TEXT(t_uni, "b_uni pin=U2.D label=Unit");
TEXT(t_enc, "e_prs pin=D2,D3 label=Pressure%20set");
TEXT(t_vol, "p_vol pin=A0 label=Bus%20volts");
TEXT(t_bri, "p_bri pin=A1 label=Brightness");
TEXT(l_app, "l_app pin=U3.A colour=white label=Approach");
TEXT(l_rwy, "l_rwy pin=U3.B colour=white label=Runway%20edge");
TEXT(l_twy, "l_twy pin=U3.C colour=blue label=Taxiway");
TEXT(l_stp, "l_stp pin=U3.D colour=red label=Stop%20bar");
TEXT(l_obs, "l_obs pin=U3.E colour=red label=Obstruction");
TEXT(l_xwd, "l_xwd pin=U3.F colour=amber label=Crosswind");
TEXT(l_mai, "l_mai pin=U3.G colour=red label=Mains%20fail");
TEXT(l_bat, "l_bat pin=U3.H colour=amber label=On%20battery");
TEXT(d_dir, "d_dir pin=U4 label=Wind%20direction");
TEXT(d_spd, "d_spd pin=U5 label=Wind%20speed");
TEXT(d_prs, "d_prs pin=U6 label=Pressure");

const bb_contact panel_contacts[] BB_FLASH = {
    /* group 0: the encoder's pins D2 and D3 */
    {0, 0, 0, BB_RAW_PIN}, {0, 0, 0, BB_RAW_PIN}, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
    /* group 1: U1, the shift register nearest to the chip, inputs A to H; made to ground */
    BB_CONTACT(t_app, 10, BB_LOW | BB_RAW_SCAN), BB_CONTACT(t_rwy, 10, BB_LOW | BB_RAW_SCAN),
    BB_CONTACT(t_twy, 10, BB_LOW | BB_RAW_SCAN), BB_CONTACT(t_stp, 10, BB_LOW | BB_RAW_SCAN),
    BB_CONTACT(t_obs, 10, BB_LOW | BB_RAW_SCAN), BB_CONTACT(t_tst, 10, BB_LOW | BB_FIRST | BB_RAW_SCAN),
    BB_CONTACT(t_in1, 10, BB_LOW | BB_RAW_SCAN), BB_CONTACT(t_in2, 10, BB_LOW | BB_RAW_SCAN),
    /* group 2: U2 */
    BB_CONTACT(t_in3, 10, BB_LOW | BB_RAW_SCAN), BB_CONTACT(t_in4, 10, BB_LOW | BB_RAW_SCAN),
    BB_CONTACT(t_in5, 10, BB_LOW | BB_RAW_SCAN), BB_CONTACT(t_uni, 10, BB_LOW | BB_FIRST | BB_RAW_SCAN),
    BB_SPARE, BB_SPARE, BB_SPARE, BB_SPARE,
};

const bb_encoder panel_encoders[] BB_FLASH = {{t_enc, 0, 1, 4, BB_RAW_PIN}};

const bb_pot panel_pots[] BB_FLASH = {{t_vol, 1023, 3}, {t_bri, 1023, 3}};

const bb_lamp panel_lamps[] BB_FLASH = {
    {l_app, BB_DIM}, {l_rwy, BB_DIM}, {l_twy, BB_DIM}, {l_stp, BB_DIM},
    {l_obs, BB_DIM}, {l_xwd, BB_DIM}, {l_mai, BB_DIM}, {l_bat, BB_DIM},
};

/* Digit 0 of each driver is the rightmost place. */
const bb_digits panel_digits[] BB_FLASH = {{d_dir, 2, 3, -1}, {d_spd, 9, 2, -1}, {d_prs, 20, 5, -1}};

const char panel_ident[] BB_FLASH = "desk";
const char panel_name[] BB_FLASH = "Ostrey%20desk";
const char panel_model[] BB_FLASH = "text=Ostrey%20desk chip=atmega328p";
