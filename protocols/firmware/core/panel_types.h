/* The form of a panel map: what `panel_map.h` and `panel_map.c` of a build must contain.
 *
 * A panel map says what is wired where on one board. It is plain data, written by a person (see `panels/desk/`) or by
 * `benchcon firmware`. The core is compiled together with its map, so the counts are compile-time constants.
 *
 * `panel_map.h` includes this file and defines (every one of them; 0 where there is none):
 *
 *   PANEL_INPUT_BYTES     groups of eight inputs, 1 to 15. Input number n is bit n % 8 of group n / 8. The port fills the
 *                         groups: first those on pins, then the 74HC165 chain, then one group for each matrix row
 *   PANEL_SELECTORS  PANEL_ENCODERS (at most 8)  PANEL_POTS (at most 8)
 *   PANEL_LAMP_BYTES      groups of eight lamp outputs: first those on pins, then the 74HC595 chain (first byte: the chip
 *                         nearest to the microcontroller)
 *   PANEL_DISPLAYS          displays          PANEL_DISPLAY_CHIPS   MAX7219-type drivers in the chain
 *   PANEL_INTENSITY       0 to 15, the drivers' brightness, for all of them
 *   PANEL_MATRIX_ROWS     rows (input groups) of a switch matrix, at most 8
 *   PANEL_MATRIX_GROUP    the group of its first row      PANEL_MATRIX_DIODES   1: each contact has its diode
 *   PANEL_DARK_INPUT      number of the contact that darkens this board when made, or BB_NONE
 *   PANEL_LONGEST_ID      letters of the longest contact id, 1 to 8 (how many changes fit one line)
 *   PANEL_OWN_LIGHT       1: the port has a light of its own for `wink`; 0: lamps are used
 *   PANEL_WINK_LAMPS      how many lamps, from the first, `wink` may light together (the current budget decides)
 *
 * and, for the port in use, where the pins are: see the port's own header (`avr/pins.h`).
 *
 *   PANEL_POT_STILL       smaller changes of a potentiometer are not reported, except when it reaches an end (3 is usual)
 *
 * `panel_map.c` defines the tables declared at the end of this file. `panel_slots` has one entry for each slot: inputs first,
 * then selectors, encoders, pots, lamp outputs, displays. An entry is a text and a detail. The text is the id, then words for
 * people, each as on the wire: "sw1" PIN "D4" COLOUR "red" LABEL "Stop%20bar" (whatever exceeds a line of 80 is cut off at
 * the end); 0 for a spare slot. The detail is what the board acts on; the words for it (inv, raw, deb, ...) are made from it,
 * so that they cannot differ from what the board does:
 *
 *   input      BB_DETAIL(flags, debounce time in ms, 1 to 100)
 *   selector   BB_DETAIL(0, number of positions, 2 to 15)
 *   encoder    BB_DETAIL(flags, counts per detent)
 *   pot        its greatest reading
 *   lamp       BB_DETAIL(flags, 0)
 *   display    BB_DETAIL(0, digits, 1 to 8) */
#ifndef PANEL_TYPES_H
#define PANEL_TYPES_H

#include <stdint.h>

#include "flash.h"

#ifndef BB_SCAN_US
#define BB_SCAN_US 400u /* time from scan to scan, which the port must keep */
#endif

#define BB_NONE 0xFFu

/* Keys within a channel's text. */
#define PIN "\1"
#define COLOUR "\2"
#define LABEL "\3"

/* Flags of inputs and encoders. */
#define BB_LOW 0x01u      /* contact made (or lamp lit) when the level is low */
#define BB_FIRST 0x02u    /* act on the first edge, then hold off; without it wait until settled */
#define BB_RAW_PIN 0x04u  /* every edge can be reported, by pin-change interrupt */
#define BB_RAW_SCAN 0x08u /* edges can be reported as the scan sees them */
#define BB_PART 0x10u     /* no channel of its own but debounced: an input of a selector */
/* Flag of lamps. */
#define BB_DIM 0x20u /* can be dimmed; without it lit at 500 permille and above */

#define BB_DETAIL(flags, number) ((flags) << 8 | (number))

typedef struct {
    const char *text;
    uint16_t detail;
} bb_slot;
#define BB_SPARE {0, 0}

/* A switch of several positions on `inputs` inputs (at most 15) from `first` on, each marked BB_PART. In position p exactly
 * those inputs are made whose bits are set in codes[p], bit 0 being `first`; any other pattern leaves the position as it
 * was. */
typedef struct {
    const uint16_t *codes;
    uint8_t first, inputs;
} bb_selector;

/* A quadrature encoder on two inputs; counts up when A leads B, along 00 10 11 01 of the levels A B. */
typedef struct {
    uint8_t a, b;
} bb_encoder;

/* Digit p of a display (0 leftmost) is row (first + p * step) of the whole chain, eight rows per chip: row 0 is digit 0 of the
 * chip nearest to the microcontroller. */
typedef struct {
    uint8_t first;
    int8_t step;
} bb_display;

extern const bb_slot panel_slots[] BB_FLASH;
extern const bb_selector panel_selectors[] BB_FLASH;
extern const bb_encoder panel_encoders[] BB_FLASH;
extern const bb_display panel_displays[] BB_FLASH;
extern const char panel_ident[] BB_FLASH; /* used until the board is given another: up to 16 letters */
extern const char panel_name[] BB_FLASH;  /* likewise: up to 24 letters as written on the wire */
extern const char panel_model[] BB_FLASH; /* words of the item `model`: "text=Desk chip=atmega328p" */

#endif
