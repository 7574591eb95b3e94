/* The AVR port: ATmega328P and ATmega2560 at 16 MHz, with avr-libc alone.
 *
 * Timer 1 runs free at 2 MHz and does all timing: its overflows make the high part of the clock, compare A starts the scan,
 * compare B the bit planes of the lamps. Scan and lamps allow other interrupts while they work, so that a pin edge is stamped
 * and a received byte fetched within a few microseconds. The program calls avr_begin once and then avr_turn for ever. */
#ifndef AVR_PORT_H
#define AVR_PORT_H

#ifndef F_CPU
#error "F_CPU must be defined"
#endif
#if F_CPU != 16000000ul
#error "the port's timing is made for 16 MHz"
#endif

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

/* avr_clock.c */
extern volatile uint32_t avr_clock_high; /* microseconds at the last overflow of timer 1 */

static inline __attribute__((always_inline)) uint32_t avr_clock_now(void)
{
    uint8_t before = SREG;
    uint16_t ticks;
    uint32_t high;

    cli(); /* the two halves of TCNT1 are read through a register that interrupts use too */
    ticks = TCNT1;
    high = avr_clock_high;
    if ((TIFR1 & (1u << TOV1)) && ticks < 0x8000u) {
        high += 0x8000u; /* the overflow is not counted yet */
    }
    SREG = before;
    return high + (ticks >> 1);
}

/* The low half of the clock alone, for interrupts. */
typedef uint16_t __attribute__((may_alias)) avr_low_half;

static inline __attribute__((always_inline)) uint16_t avr_clock_low(void)
{
    uint16_t ticks = TCNT1;
    uint16_t high = *(volatile avr_low_half *)&avr_clock_high;

    if ((TIFR1 & (1u << TOV1)) && ticks < 0x8000u) {
        high ^= 0x8000u;
    }
    return high | ticks >> 1;
}

#define bb_stamp_clock(b) avr_clock_low()

#include "benchboard.h"
#include "hal.h"

extern bb_board avr_board;

void avr_begin(void);
void avr_turn(void);

/* avr_serial.c */
void avr_serial_begin(void);

/* avr_inputs.c */
void avr_inputs_begin(void);
bool avr_scanned(void); /* true if a scan has run since the last call */

/* avr_outputs.c */
void avr_outputs_begin(void);   /* sets up the pins that need no board yet */
void avr_outputs_drive(void);   /* drives the outputs, once the board has set what they show */

/* avr_analogue.c */
void avr_analogue_begin(void);
void avr_analogue_turn(void);

#endif
