/* A board for tests: everything on pins of its own, a selector, a matrix without diodes, a lamp of each kind. */
#ifndef PANEL_MAP_H
#define PANEL_MAP_H

#define PANEL_INPUT_BYTES 3 /* group 0: pins; 1 and 2: matrix rows */
#define PANEL_SELECTORS 1
#define PANEL_ENCODERS 1
#define PANEL_POTS 1
#define PANEL_POT_STILL 3
#define PANEL_LAMP_BYTES 1
#define PANEL_DISPLAYS 0
#define PANEL_DISPLAY_CHIPS 0
#define PANEL_INTENSITY 8
#define PANEL_MATRIX_ROWS 2
#define PANEL_MATRIX_GROUP 1
#define PANEL_MATRIX_DIODES 0
#define PANEL_DARK_INPUT 2
#define PANEL_LONGEST_ID 4
#define PANEL_OWN_LIGHT 1
#define PANEL_LIGHT B, 5
#define PANEL_WINK_LAMPS 1

#define PANEL_PIN_INPUTS(X) X(0, D, 4) X(1, D, 5) X(2, D, 6) X(4, D, 2) X(5, D, 3) X(6, B, 0) X(7, B, 2)
#define PANEL_PIN_WATCHES(X) X(0, 20) X(1, 21) X(4, 18) X(5, 19)
#define PANEL_WATCH_GROUPS 4
#define PANEL_PIN_LAMPS(X) X(0, B, 1) X(1, D, 7) X(2, B, 3)

#define PANEL_IN_CHAIN_BYTES 0
#define PANEL_IN_CHAIN_GROUP 0
#define PANEL_OUT_CHAIN_BYTES 0
#define PANEL_OUT_CHAIN_GROUP 0
#define PANEL_DISPLAY_ON_SPI 0

#define PANEL_MATRIX_ROW_PINS(X) X(0, C, 1) X(1, C, 2)
#define PANEL_MATRIX_COLUMN_PINS(X) X(0, C, 3) X(1, C, 4)

#define PANEL_ADC_CHANNELS {0}

#include "panel_types.h"

#endif
