/* The desk of the figures in README.md: twelve contacts behind two 74HC165, an encoder on pins, two potentiometers, eight
 * lamps behind a 74HC595, three displays behind three chained MAX7219-type drivers. ATmega328P (Uno, Nano), 16 MHz.
 *
 * The form of this file is described in core/panel_types.h; that of the pins in avr/pins.h. */
#ifndef PANEL_MAP_H
#define PANEL_MAP_H

#define PANEL_INPUT_BYTES 3 /* group 0: encoder on pins; 1 and 2: shift registers */
#define PANEL_SELECTORS 0
#define PANEL_ENCODERS 1
#define PANEL_POTS 2
#define PANEL_POT_STILL 3
#define PANEL_LAMP_BYTES 1
#define PANEL_DISPLAYS 3
#define PANEL_DISPLAY_CHIPS 3
#define PANEL_INTENSITY 8
#define PANEL_MATRIX_ROWS 0
#define PANEL_MATRIX_GROUP 0
#define PANEL_MATRIX_DIODES 1
#define PANEL_DARK_INPUT 0xFF
#define PANEL_LONGEST_ID 5
#define PANEL_OWN_LIGHT 0 /* D13 is the clock of the lamps' shift register */
#define PANEL_WINK_LAMPS 8

/* Pins: number, port letter, bit; and for those whose every edge can be reported, the pin-change number. */
#define PANEL_PIN_INPUTS(X) X(0, D, 2) X(1, D, 3)
#define PANEL_PIN_WATCHES(X) X(0, 18) X(1, 19)
#define PANEL_WATCH_GROUPS 4
#define PANEL_PIN_LAMPS(X)

#define PANEL_IN_CHAIN_BYTES 2
#define PANEL_IN_CHAIN_GROUP 1
#define PANEL_IN_CLOCK D, 5
#define PANEL_IN_LOAD D, 6
#define PANEL_IN_DATA D, 7

#define PANEL_OUT_CHAIN_BYTES 1 /* data and clock on the SPI pins D11 and D13 */
#define PANEL_OUT_CHAIN_GROUP 0
#define PANEL_OUT_LATCH B, 2    /* D10 */
#define PANEL_OUT_ENABLE B, 1   /* D9, with a pull-up: dark while the chip is in reset */

#define PANEL_DISPLAY_ON_SPI 0
#define PANEL_DISPLAY_DATA C, 2  /* A2 */
#define PANEL_DISPLAY_CLOCK C, 3 /* A3 */
#define PANEL_DISPLAY_LOAD C, 4  /* A4 */

#define PANEL_ADC_CHANNELS {0, 1} /* A0, A1 */

#include "panel_types.h"

#endif
