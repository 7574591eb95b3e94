/* Start-up, clock, watchdog and store. */
#include "avr_port.h"

#include <avr/eeprom.h>
#include <avr/wdt.h>

#ifndef WATCHDOG
#define WATCHDOG 1
#endif

volatile uint32_t avr_clock_high;
bb_board avr_board;

/* The cause of the reset must be read, and the watchdog stopped, before the C start-up code, which takes time, runs. */
static uint8_t reset_flags __attribute__((section(".noinit")));
void avr_early(void) __attribute__((naked, used, section(".init3")));

void avr_early(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

static bb_cause cause(void)
{
    if (reset_flags & (1u << PORF)) {
        return BB_POWER;
    }
    if (reset_flags & (1u << WDRF)) {
        return BB_WATCHDOG;
    }
    if (reset_flags & (1u << BORF)) {
        return BB_BROWNOUT;
    }
    return reset_flags & (1u << EXTRF) ? BB_RESET : BB_UNKNOWN; /* a boot loader has cleared the flags */
}

ISR(TIMER1_OVF_vect)
{
    avr_clock_high += 0x8000u;
}

uint32_t hal_clock(bb_board *b)
{
    (void)b;
    return avr_clock_now();
}

uint8_t hal_store_read(bb_board *b, uint8_t at)
{
    (void)b;
    return eeprom_read_byte((const uint8_t *)(uintptr_t)at);
}

bool hal_store_ready(bb_board *b)
{
    (void)b;
    return eeprom_is_ready();
}

void hal_store_write(bb_board *b, uint8_t at, uint8_t value)
{
    (void)b;
    eeprom_write_byte((uint8_t *)(uintptr_t)at, value);
}

void avr_begin(void)
{
    cli();
    avr_outputs_begin();
    avr_inputs_begin();
    avr_serial_begin();
    TCCR1A = 0;
    TCCR1B = 1u << CS11; /* 2 MHz */
    TCNT1 = 0;
    TIFR1 = 1u << TOV1;
    TIMSK1 = 1u << TOIE1;
    avr_analogue_begin();
    sei();
    bb_begin(&avr_board, cause(), 0); /* only the clock interrupts until this is done */
    cli();
    UCSR0B |= 1u << RXCIE0;
    avr_outputs_drive();
    OCR1A = TCNT1 + 800u;
    TIFR1 = 1u << OCF1A;
    TIMSK1 |= 1u << OCIE1A;
    sei();
#if WATCHDOG
    wdt_enable(WDTO_500MS);
#endif
}

void avr_turn(void)
{
    avr_analogue_turn();
    bb_poll(&avr_board);
    if (avr_scanned()) {
        wdt_reset(); /* main loop and timer interrupt both run */
    }
}
