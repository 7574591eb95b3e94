/* The analogue converter: reads the potentiometers in turn, and now and then the supply, by measuring the chip's own 1.1 V
 * reference against it. One conversion every half millisecond; the input is switched right after the last one, so that even
 * a potentiometer of some tens of kilo-ohms has settled. */
#include "avr_port.h"

#define STEP_TICKS 1000u      /* of 0.5 us */
#define SUPPLY_EVERY 1600u    /* conversions: about 0.8 s */
#define SUPPLY_SETTLES 10u    /* conversions thrown away after switching to the reference */

#if defined(__AVR_ATmega2560__)
#define REFERENCE_INPUT 0x1Eu
#else
#define REFERENCE_INPUT 0x0Eu
#endif

static uint16_t supply_mv;
static uint16_t started, since_supply;
static uint8_t pot, settling;
static bool on_supply, running;

static void select_input(uint8_t input)
{
#if defined(__AVR_ATmega2560__)
    ADCSRB = input & 8u && input != REFERENCE_INPUT ? 1u << MUX5 : 0;
    ADMUX = (uint8_t)(1u << REFS0 | (input == REFERENCE_INPUT ? REFERENCE_INPUT : input & 7u));
#else
    ADMUX = 1u << REFS0 | input; /* against the supply */
#endif
}

static void select_pot(void)
{
#if PANEL_POTS
    static const uint8_t channels[PANEL_POTS] BB_FLASH = PANEL_ADC_CHANNELS;

    select_input(bb_flash_byte(&channels[pot]));
#endif
}

static void select_supply(void)
{
    on_supply = true;
    settling = SUPPLY_SETTLES;
    since_supply = 0;
    select_input(REFERENCE_INPUT);
}

void avr_analogue_begin(void)
{
    ADCSRA = 1u << ADEN | 1u << ADPS2 | 1u << ADPS1 | 1u << ADPS0; /* 125 kHz */
    select_supply();
}

static void took(uint16_t value)
{
    if (on_supply) {
        if (settling) {
            settling--;
            return;
        }
        if (value) { /* 1100 mV * 1024 / value, in 16 bits: 56320 * 20 */
            supply_mv = (uint16_t)(56320u / value * 20u + 56320u % value * 20u / value);
        }
        on_supply = PANEL_POTS == 0;
    } else {
        bb_reading(&avr_board, pot, value);
        pot = pot + 1u < PANEL_POTS ? (uint8_t)(pot + 1u) : 0;
    }
    if (++since_supply >= SUPPLY_EVERY) {
        select_supply();
    } else if (!on_supply) {
        select_pot();
    }
}

void avr_analogue_turn(void)
{
    uint8_t before = hal_hold();
    uint16_t now = TCNT1;

    hal_release(before);
    if (running) {
        if (ADCSRA & (1u << ADSC)) {
            return;
        }
        running = false;
        took(ADC);
    }
    if (now - started >= STEP_TICKS) {
        started = now;
        running = true;
        ADCSRA |= 1u << ADSC;
    }
}

uint16_t hal_supply_mv(bb_board *b)
{
    (void)b;
    return supply_mv;
}
