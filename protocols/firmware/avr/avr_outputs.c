/* Outputs: bit planes of the lamps from timer 1, registers of the display drivers, the board's own light. */
#include "avr_port.h"
#include "pins.h"

/* Plane k is on for 2^k slots of 8 us: 1023 slots are 8.18 ms, 122 times a second. */
#define SLOT_TICKS 16u

#define USE_SPI (PANEL_OUT_CHAIN_BYTES || (PANEL_DISPLAY_CHIPS && PANEL_DISPLAY_ON_SPI))

#if defined(__AVR_ATmega2560__)
#define SPI_DATA B, 2
#define SPI_CLOCK B, 1
#define SPI_SELECT B, 0
#else
#define SPI_DATA B, 3
#define SPI_CLOCK B, 5
#define SPI_SELECT B, 2
#endif

#if USE_SPI
static inline __attribute__((always_inline)) void spi_send(uint8_t byte)
{
    SPDR = byte;
    while (!(SPSR & (1u << SPIF))) {
    }
}
#endif

#if PANEL_LAMP_BYTES

static uint8_t plane;
static uint16_t next_plane;
static volatile bool again; /* show the present plane again: it has changed */
#if PANEL_DISPLAY_CHIPS && PANEL_DISPLAY_ON_SPI
static volatile bool spi_taken, missed; /* the main loop uses the SPI; a plane came due meanwhile */
#endif

static inline __attribute__((always_inline)) void show(uint8_t k)
{
    const volatile uint8_t *shown = avr_board.plane[k];

#define SHOW_PIN(lamp, p, n) \
    if (shown[(lamp) / 8] & (1u << ((lamp) % 8))) { \
        PIN_HIGH(p, n); \
    } else { \
        PIN_LOW(p, n); \
    }
    PANEL_PIN_LAMPS(SHOW_PIN)
#if PANEL_OUT_CHAIN_BYTES
    {
        uint8_t chip = PANEL_OUT_CHAIN_BYTES;

        while (chip--) {
            spi_send(shown[PANEL_OUT_CHAIN_GROUP + chip]);
        }
        PIN_HIGH(PANEL_OUT_LATCH);
        PIN_LOW(PANEL_OUT_LATCH);
    }
#endif
    (void)shown;
}

ISR(TIMER1_COMPB_vect)
{
    uint8_t k = plane;
    uint16_t next = next_plane;

#if PANEL_DISPLAY_CHIPS && PANEL_DISPLAY_ON_SPI
    if (spi_taken) {
        missed = true;
        return;
    }
#endif
    sei(); /* other interrupts may now nest, but not this one, until its next time is set */
    if (again) {
        again = false;
        show(k);
    }
    cli();
    while ((int16_t)(next - TCNT1) < 8) { /* due, or so soon that it may as well be done here */
        sei();
        k = k + 1u < BB_PLANES ? (uint8_t)(k + 1u) : 0;
        show(k);
        next = (uint16_t)(next + (SLOT_TICKS << k));
        cli();
    }
    OCR1B = next;
    next_plane = next;
    plane = k;
}

/* Makes the interrupt come very soon, unless it is about to come anyway. */
static void hurry(void)
{
    uint8_t before = hal_hold();
    uint16_t soon = TCNT1 + 12u;

    if ((int16_t)(OCR1B - soon) > 0 || (int16_t)(OCR1B - soon) < -12) {
        OCR1B = soon;
    }
    hal_release(before);
}

void hal_lamps(bb_board *b)
{
    (void)b;
    if (!(TIMSK1 & (1u << OCIE1B))) {
        show(plane); /* the timer interrupt does not run yet */
        return;
    }
    again = true;
    hurry();
    while (again) {
    }
}

#else

void hal_lamps(bb_board *b)
{
    (void)b;
}

#endif

#if PANEL_DISPLAY_CHIPS && !PANEL_DISPLAY_ON_SPI
static void display_send(uint8_t byte)
{
    uint8_t bit;

    for (bit = 8; bit; bit--) {
        if (byte & 0x80u) {
            PIN_HIGH(PANEL_DISPLAY_DATA);
        } else {
            PIN_LOW(PANEL_DISPLAY_DATA);
        }
        PIN_HIGH(PANEL_DISPLAY_CLOCK);
        byte = (uint8_t)(byte << 1);
        PIN_LOW(PANEL_DISPLAY_CLOCK);
    }
}
#else
#define display_send(byte) spi_send(byte)
#endif

void hal_display(bb_board *b, uint8_t number, const uint8_t *data)
{
    (void)b;
#if PANEL_DISPLAY_CHIPS
    uint8_t chip = PANEL_DISPLAY_CHIPS;

#if PANEL_DISPLAY_ON_SPI && PANEL_LAMP_BYTES
    spi_taken = true; /* the lamps' registers share these wires */
#endif
    while (chip--) {
        display_send(number);
        display_send(data[chip]);
    }
    PIN_HIGH(PANEL_DISPLAY_LOAD); /* the drivers take the data over on the rising edge */
    PIN_LOW(PANEL_DISPLAY_LOAD);
#if PANEL_DISPLAY_ON_SPI && PANEL_LAMP_BYTES
    spi_taken = false;
    if (missed) {
        missed = false;
        hurry();
    }
#endif
#else
    (void)number;
    (void)data;
#endif
}

void hal_light(bb_board *b, bool on)
{
    (void)b;
#if PANEL_OWN_LIGHT
    if (on) {
        PIN_HIGH(PANEL_LIGHT);
    } else {
        PIN_LOW(PANEL_LIGHT);
    }
#else
    (void)on;
#endif
}

void avr_outputs_begin(void)
{
#if PANEL_OWN_LIGHT
    PIN_DRIVE(PANEL_LIGHT);
#endif
#if PANEL_OUT_CHAIN_BYTES
    PIN_DRIVE(PANEL_OUT_LATCH);
#ifdef PANEL_OUT_ENABLE
    PIN_HIGH(PANEL_OUT_ENABLE);
    PIN_DRIVE(PANEL_OUT_ENABLE);
#endif
#endif
#if PANEL_DISPLAY_CHIPS
    PIN_DRIVE(PANEL_DISPLAY_LOAD);
#if !PANEL_DISPLAY_ON_SPI
    PIN_DRIVE(PANEL_DISPLAY_DATA);
    PIN_DRIVE(PANEL_DISPLAY_CLOCK);
#endif
#endif
#if USE_SPI
    PIN_DRIVE(SPI_SELECT); /* as an input it could turn the chip into an SPI slave */
    PIN_DRIVE(SPI_DATA);
    PIN_DRIVE(SPI_CLOCK);
    SPCR = 1u << SPE | 1u << MSTR;
    SPSR = 1u << SPI2X; /* 8 MHz */
#endif
}

void avr_outputs_drive(void)
{
#if PANEL_LAMP_BYTES
#define DRIVE(lamp, p, n) PIN_DRIVE(p, n);
    PANEL_PIN_LAMPS(DRIVE)
#if PANEL_OUT_CHAIN_BYTES && defined(PANEL_OUT_ENABLE)
    PIN_LOW(PANEL_OUT_ENABLE);
#endif
    next_plane = TCNT1 + 200u;
    OCR1B = next_plane;
    TIFR1 = 1u << OCF1B;
    TIMSK1 |= 1u << OCIE1B;
#endif
}
