/* Where constant tables and texts are stored, and how they are read.
 *
 * On AVR chips constants stay in flash (program memory) and are read with special instructions; everywhere else they
 * are plain constants. Everything in a panel map is marked BB_FLASH and read through these names.
 *
 * The two functions at the end keep interrupts out for a few instructions while a value wider than one byte is shared
 * with an interrupt. Where interrupts and the main program are one thread (the native build) they do nothing. */
#ifndef FLASH_H
#define FLASH_H

#include <stdint.h>

#if defined(__AVR__)

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#define BB_FLASH PROGMEM
#define BB_TEXT(literal) PSTR(literal)
#define bb_flash_byte(address) pgm_read_byte(address)
#define bb_flash_word(address) pgm_read_word(address)
#define bb_flash_pointer(address) ((const void *)pgm_read_word(address))

static inline uint8_t hal_hold(void)
{
    uint8_t before = SREG;
    cli();
    return before;
}

static inline void hal_release(uint8_t before)
{
    __asm__ volatile("" ::: "memory"); /* what was written stays before the release */
    SREG = before;
}

#else

#define BB_FLASH
#define BB_TEXT(literal) (literal)
#define bb_flash_byte(address) (*(const uint8_t *)(address))
#define bb_flash_word(address) (*(const uint16_t *)(address))
#define bb_flash_pointer(address) ((const void *)*(address))

static inline uint8_t hal_hold(void)
{
    return 0;
}

static inline void hal_release(uint8_t before)
{
    (void)before;
}

#endif

#endif
