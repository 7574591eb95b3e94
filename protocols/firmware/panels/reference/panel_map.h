/* The reference board of `protocols/vectors/board.txt`: one channel or two of each kind, for the vectors, the fuzzer and
 * the tests. ATmega328P. The form of this file is described in core/panel_types.h; that of the pins in avr/pins.h. */
#ifndef PANEL_MAP_H
#define PANEL_MAP_H

#define PANEL_INPUT_BYTES 4 /* group 0: pins; 1: a shift register; 2 and 3: matrix rows */
#define PANEL_SELECTORS 1
#define PANEL_ENCODERS 1
#define PANEL_POTS 1
#define PANEL_POT_STILL 3
#define PANEL_LAMP_BYTES 1
#define PANEL_DISPLAYS 2
#define PANEL_DISPLAY_CHIPS 2
#define PANEL_INTENSITY 15
#define PANEL_MATRIX_ROWS 2
#define PANEL_MATRIX_GROUP 2
#define PANEL_MATRIX_DIODES 0
#define PANEL_DARK_INPUT 16 /* sw3, in the matrix */
#define PANEL_LONGEST_ID 4
#define PANEL_OWN_LIGHT 0
#define PANEL_WINK_LAMPS 2

/* D4, D2, D3 and A0, A2, A3. The coded switch gives its position in three bits. */
#define PANEL_PIN_INPUTS(X) X(0, D, 4) X(1, D, 2) X(2, D, 3) X(3, C, 0) X(4, C, 2) X(5, C, 3)
#define PANEL_PIN_WATCHES(X) X(0, 20) X(1, 18) X(2, 19)
#define PANEL_WATCH_GROUPS 4
#define PANEL_PIN_LAMPS(X) X(0, B, 1) X(1, B, 2)

#define PANEL_IN_CHAIN_BYTES 1
#define PANEL_IN_CHAIN_GROUP 1
#define PANEL_IN_CLOCK D, 5
#define PANEL_IN_LOAD D, 6
#define PANEL_IN_DATA D, 7

#define PANEL_OUT_CHAIN_BYTES 0

#define PANEL_DISPLAY_ON_SPI 0
#define PANEL_DISPLAY_DATA B, 3
#define PANEL_DISPLAY_CLOCK B, 4
#define PANEL_DISPLAY_LOAD B, 5

#define PANEL_MATRIX_ROW_PINS(X) X(0, C, 4) X(1, C, 5)
#define PANEL_MATRIX_COLUMN_PINS(X) X(0, B, 0)

#define PANEL_ADC_CHANNELS {1}

#include "panel_types.h"

#endif
