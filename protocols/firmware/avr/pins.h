/* How a panel map names the pins of an AVR chip, and the code made from it.
 *
 * A pin is a port letter and a bit: `D, 4`. The map (panel_map.h) defines, all of them, empty or 0 where there is none:
 *
 *   PANEL_PIN_INPUTS(X)    X(input, port, bit) for each input on a pin of its own (contacts and encoders); pull-ups are on
 *   PANEL_PIN_WATCHES(X)   X(input, n) for those of them marked BB_RAW_PIN: n is the pin-change number of the pin (PCINTn)
 *   PANEL_PIN_LAMPS(X)     X(lamp, port, bit) for each lamp on a pin
 *   PANEL_IN_CHAIN_BYTES   74HC165 in the chain; they fill the groups from PANEL_IN_CHAIN_GROUP on, the chip nearest to the
 *                          microcontroller first, its input A being bit 0. PANEL_IN_CLOCK, PANEL_IN_LOAD (SH/LD), PANEL_IN_DATA
 *   PANEL_OUT_CHAIN_BYTES  74HC595 in the chain, on the SPI pins (SER to MOSI, SRCLK to SCK), filling the lamp groups from
 *                          PANEL_OUT_CHAIN_GROUP on, nearest chip first, QA being bit 0. PANEL_OUT_LATCH (RCLK), and if
 *                          wired PANEL_OUT_ENABLE (OE, with a pull-up resistor, so that lamps are dark while the chip resets)
 *   PANEL_DISPLAY_CHIPS    on the SPI pins too (PANEL_DISPLAY_ON_SPI 1), or on any pins: PANEL_DISPLAY_DATA, PANEL_DISPLAY_CLOCK.
 *                          Always: PANEL_DISPLAY_LOAD
 *   PANEL_MATRIX_ROW_PINS(X), PANEL_MATRIX_COLUMN_PINS(X)   X(number, port, bit); a row is driven low in its turn, otherwise
 *                          left open; columns have pull-ups, so a contact is made when low. Diodes: cathode towards the row
 *   PANEL_ADC_CHANNELS     {0, 1}: the analogue inputs of the potentiometers, in their order
 *   PANEL_LIGHT            the pin of the board's own light, if PANEL_OWN_LIGHT (lit when high)
 *
 * SPI pins: ATmega328P MOSI B3 (D11), SCK B5 (D13), SS B2 (D10); ATmega2560 MOSI B2 (D51), SCK B1 (D52), SS B0 (D53). SS must
 * be an output while SPI is used: give it to a latch. */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>
#include <stdint.h>

#include "flash.h"

/* Ports A to G are accessed by single instructions, which nothing can interrupt; ports H to L of the ATmega2560 are not. */
static inline __attribute__((always_inline)) void pin_write(volatile uint8_t *port, uint8_t mask, uint8_t high)
{
    if ((uintptr_t)port > 0x3Fu) {
        uint8_t before = hal_hold();

        *port = high ? *port | mask : *port & (uint8_t)~mask;
        hal_release(before);
    } else if (high) {
        *port |= mask;
    } else {
        *port &= (uint8_t)~mask;
    }
}

#define PIN_HIGH_(p, n) pin_write(&PORT##p, 1u << (n), 1)
#define PIN_LOW_(p, n) pin_write(&PORT##p, 1u << (n), 0)
#define PIN_DRIVE_(p, n) pin_write(&DDR##p, 1u << (n), 1)
#define PIN_OPEN_(p, n) pin_write(&DDR##p, 1u << (n), 0)
#define PIN_LEVEL_(p, n) ((PIN##p & (1u << (n))) != 0)

#define PIN_HIGH(...) PIN_HIGH_(__VA_ARGS__)
#define PIN_LOW(...) PIN_LOW_(__VA_ARGS__)
#define PIN_DRIVE(...) PIN_DRIVE_(__VA_ARGS__)
#define PIN_OPEN(...) PIN_OPEN_(__VA_ARGS__)
#define PIN_LEVEL(...) PIN_LEVEL_(__VA_ARGS__)

#endif
