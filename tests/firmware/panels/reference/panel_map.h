/* The reference board of `protocols/vectors/board.txt`, for tests. */
#ifndef PANEL_MAP_H
#define PANEL_MAP_H

#define PANEL_INPUT_BYTES 3 /* group 0: pins; 1: a 74HC165; 2: the matrix */
#define PANEL_SELECTORS 1
#define PANEL_ENCODERS 1
#define PANEL_POTS 1
#define PANEL_POT_STILL 3
#define PANEL_LAMP_BYTES 1
#define PANEL_DISPLAYS 2
#define PANEL_DISPLAY_CHIPS 2
#define PANEL_INTENSITY 8
#define PANEL_MATRIX_ROWS 1
#define PANEL_MATRIX_GROUP 2
#define PANEL_MATRIX_DIODES 1
#define PANEL_DARK_INPUT 0xFF
#define PANEL_LONGEST_ID 3
#define PANEL_OWN_LIGHT 0
#define PANEL_WINK_LAMPS 2

#define PANEL_PIN_INPUTS(X) X(0, D, 4) X(1, D, 5) X(2, D, 6) X(3, D, 7) X(4, B, 0) X(5, D, 2) X(6, D, 3)
#define PANEL_PIN_WATCHES(X) X(0, 20) X(5, 18) X(6, 19)
#define PANEL_WATCH_GROUPS 4
#define PANEL_PIN_LAMPS(X) X(0, B, 1) X(1, B, 2)

#define PANEL_IN_CHAIN_BYTES 1
#define PANEL_IN_CHAIN_GROUP 1
#define PANEL_IN_DATA C, 2
#define PANEL_IN_CLOCK C, 3
#define PANEL_IN_LOAD C, 4
#define PANEL_OUT_CHAIN_BYTES 0
#define PANEL_OUT_CHAIN_GROUP 0

#define PANEL_DISPLAY_ON_SPI 0
#define PANEL_DISPLAY_DATA B, 3
#define PANEL_DISPLAY_CLOCK B, 5
#define PANEL_DISPLAY_LOAD B, 4

#define PANEL_MATRIX_ROW_PINS(X) X(0, C, 5)
#define PANEL_MATRIX_COLUMN_PINS(X) X(0, C, 0)

#define PANEL_ADC_CHANNELS {1}

#include "panel_types.h"

#endif
