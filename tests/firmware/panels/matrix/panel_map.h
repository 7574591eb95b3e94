/* A board for tests in virtual time: a matrix of four by four contacts without diodes, and nothing else. */
#ifndef PANEL_MAP_H
#define PANEL_MAP_H

#define PANEL_INPUT_BYTES 4
#define PANEL_SELECTORS 0
#define PANEL_ENCODERS 0
#define PANEL_POTS 0
#define PANEL_POT_STILL 3
#define PANEL_LAMP_BYTES 0
#define PANEL_DISPLAYS 0
#define PANEL_DISPLAY_CHIPS 0
#define PANEL_INTENSITY 0
#define PANEL_MATRIX_ROWS 4
#define PANEL_MATRIX_GROUP 0
#define PANEL_MATRIX_DIODES 0
#define PANEL_DARK_INPUT 0xFF
#define PANEL_LONGEST_ID 3
#define PANEL_OWN_LIGHT 1
#define PANEL_WINK_LAMPS 0

#include "panel_types.h"

#endif
