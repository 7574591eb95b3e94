/* Inputs: the scan from timer 1, and pin-change interrupts for raw edges. */
#include "avr_port.h"
#include "pins.h"

#define SCAN_TICKS (BB_SCAN_US * 2u)

static uint8_t levels[PANEL_INPUT_BYTES];
static volatile bool scanned;

#define COUNT_PIN(input, p, n) +1
enum { PINS_WIRED = 0 PANEL_PIN_INPUTS(COUNT_PIN) };

static inline __attribute__((always_inline)) void read_pins(void)
{
#define READ_PIN(input, p, n) \
    if (PIN_LEVEL(p, n)) { \
        group[(input) / 8] |= 1u << ((input) % 8); \
    }
    uint8_t group[PANEL_INPUT_BYTES] = {0};
    uint8_t g;

    PANEL_PIN_INPUTS(READ_PIN)
    for (g = 0; g < PANEL_INPUT_BYTES - PANEL_IN_CHAIN_BYTES - PANEL_MATRIX_ROWS; g++) {
        levels[g] = group[g];
    }
}

/* Makes the chain latch its inputs, all at once; they are shifted in afterwards. */
static inline __attribute__((always_inline)) void load_chain(void)
{
#if PANEL_IN_CHAIN_BYTES
    PIN_LOW(PANEL_IN_LOAD);
    __asm__ volatile("nop");
    PIN_HIGH(PANEL_IN_LOAD);
#endif
}

static inline __attribute__((always_inline)) void read_chain(void)
{
#if PANEL_IN_CHAIN_BYTES
    uint8_t chip, bit, byte;

    for (chip = 0; chip < PANEL_IN_CHAIN_BYTES; chip++) {
        byte = 0;
        for (bit = 8; bit; bit--) {
            byte = (uint8_t)(byte << 1);
            if (PIN_LEVEL(PANEL_IN_DATA)) {
                byte |= 1u;
            }
            PIN_HIGH(PANEL_IN_CLOCK);
            PIN_LOW(PANEL_IN_CLOCK);
        }
        levels[PANEL_IN_CHAIN_GROUP + chip] = byte;
    }
#endif
}

static inline __attribute__((always_inline)) void read_matrix(void)
{
#if PANEL_MATRIX_ROWS
    /* One row per scan, which has had a whole scan's time to settle. All rows are passed on together. */
    static uint8_t row, seen[PANEL_MATRIX_ROWS];
    uint8_t columns = 0xFF, r;

#define READ_COLUMN(number, p, n) \
    if (!PIN_LEVEL(p, n)) { \
        columns &= (uint8_t)~(1u << (number)); \
    }
#define ROW_OPEN(number, p, n) \
    if (row == (number)) { \
        PIN_OPEN(p, n); \
    }
#define ROW_DRIVE(number, p, n) \
    if (row == (number)) { \
        PIN_DRIVE(p, n); \
    }
    PANEL_MATRIX_COLUMN_PINS(READ_COLUMN)
    seen[row] = columns;
    PANEL_MATRIX_ROW_PINS(ROW_OPEN)
    if (++row == PANEL_MATRIX_ROWS) {
        row = 0;
        for (r = 0; r < PANEL_MATRIX_ROWS; r++) {
            levels[PANEL_MATRIX_GROUP + r] = seen[r];
        }
    }
    PANEL_MATRIX_ROW_PINS(ROW_DRIVE)
#endif
}

void avr_inputs_begin(void)
{
#define PULL_UP(number, p, n) PIN_HIGH(p, n);
    PANEL_PIN_INPUTS(PULL_UP)
#if PANEL_IN_CHAIN_BYTES
    PIN_HIGH(PANEL_IN_LOAD);
    PIN_DRIVE(PANEL_IN_LOAD);
    PIN_DRIVE(PANEL_IN_CLOCK);
    PIN_HIGH(PANEL_IN_DATA); /* a pull-up: with the chain unplugged inputs read high and do not flutter */
#endif
#if PANEL_MATRIX_ROWS
    PANEL_MATRIX_COLUMN_PINS(PULL_UP)
    {
        uint8_t r;

        for (r = 0; r < PANEL_MATRIX_ROWS; r++) {
            levels[PANEL_MATRIX_GROUP + r] = 0xFF;
        }
    }
#endif
}

bool avr_scanned(void)
{
    bool was = scanned;

    scanned = false;
    return was;
}

ISR(TIMER1_COMPA_vect)
{
    uint16_t next = OCR1A + SCAN_TICKS;
    uint32_t now;

    load_chain(); /* all inputs are sampled here, before any interrupt can delay it */
    now = avr_clock_now();
    if (PINS_WIRED <= 20) {
        read_pins();
    }
    sei(); /* other interrupts may now nest, but not this one, until its next time is set */
    if (PINS_WIRED > 20) {
        read_pins(); /* with so many pins, a pin interrupt would otherwise wait too long */
    }
    read_matrix(); /* here, as a row settled for a whole scan does not mind a few microseconds, but a pin interrupt would */
    read_chain();
    bb_scan(&avr_board, now, levels);
    scanned = true;
    cli();
    if ((int16_t)(next - TCNT1) < 100) {
        next = TCNT1 + 100u; /* late by a whole scan: continue from now */
    }
    OCR1A = next;
}

/* Pin-change interrupts. Each input of a port that is watched is compared with its level at the last one. */

#if defined(__AVR_ATmega2560__)
#define PINS_0 PINB
#define PINS_1 (uint8_t)(PINJ << 1 | (PINE & 1u))
#define PINS_2 PINK
#else
#define PINS_0 PINB
#define PINS_1 PINC
#define PINS_2 PIND
#endif

/* By pin-change number; only entries of watched inputs are ever used, so the others may stay 0. */
#define WATCHED_INPUT(input, n) [n] = (input),
static const uint8_t watched_input[24] BB_FLASH = {PANEL_PIN_WATCHES(WATCHED_INPUT)};
static uint8_t watched_level[3];

/* From the edge to the reading of TCNT1 it takes some 40 cycles, interrupt entry included (measured in the emulator). */
#define ENTRY_US 2u

static inline __attribute__((always_inline)) void edges(uint8_t number, uint8_t pins, uint8_t mask)
{
    uint16_t at = (uint16_t)(avr_clock_low() - ENTRY_US);
    uint8_t changed = (pins ^ watched_level[number]) & mask;
    const uint8_t *input = &watched_input[8u * number];

    watched_level[number] = pins;
    for (; changed; changed >>= 1, pins >>= 1, input++) {
        if (changed & 1u) {
            bb_edge(&avr_board, bb_flash_byte(input), pins & 1u, at);
        }
    }
}

#if PANEL_WATCH_GROUPS & 1
ISR(PCINT0_vect)
{
    edges(0, PINS_0, PCMSK0);
}
#endif

#if PANEL_WATCH_GROUPS & 2
ISR(PCINT1_vect)
{
    edges(1, PINS_1, PCMSK1);
}
#endif

#if PANEL_WATCH_GROUPS & 4
ISR(PCINT2_vect)
{
    edges(2, PINS_2, PCMSK2);
}
#endif

static inline __attribute__((always_inline)) void watch(uint8_t number, uint8_t bit, uint8_t pins, volatile uint8_t *mask, bool on)
{
    uint8_t before = hal_hold();

    watched_level[number] = (uint8_t)((watched_level[number] & ~bit) | (pins & bit));
    *mask |= bit;
    if (!on) {
        *mask ^= bit;
    }
    PCICR = (uint8_t)(PCICR | 1u << number);
    hal_release(before);
}

void hal_watch(bb_board *b, uint8_t input, bool on)
{
    uint8_t n = 24, bit;

    (void)b;
#define FIND_WATCH(watched, number) \
    if (input == (watched)) { \
        n = (number); \
    }
    PANEL_PIN_WATCHES(FIND_WATCH)
    bit = (uint8_t)(1u << (n & 7u));
#if PANEL_WATCH_GROUPS & 1
    if (n < 8) {
        watch(0, bit, PINS_0, &PCMSK0, on);
    }
#endif
#if PANEL_WATCH_GROUPS & 2
    if (n >= 8 && n < 16) {
        watch(1, bit, PINS_1, &PCMSK1, on);
    }
#endif
#if PANEL_WATCH_GROUPS & 4
    if (n >= 16 && n < 24) {
        watch(2, bit, PINS_2, &PCMSK2, on);
    }
#endif
    (void)bit;
    (void)on;
}
