/* The parts that the hand moves, and those that the eye sees. */
#include <math.h>
#include <string.h>

#include <simavr/avr_adc.h>

#include "emulator.h"

#define QUARTER_US 1500 /* between two counts of an encoder turned by hand */

avr_irq_t *pin_irq(pin_t pin)
{
    return avr_io_getirq(bench.avr, AVR_IOCTL_IOPORT_GETIRQ(pin.port), pin.bit);
}

/* libsimavr keeps one word of pulls per port and reads it again whenever PORT or DDR is written. */
static uint8_t mask[26], value[26];

void drive(pin_t pin, bool high)
{
    if (!pin.port)
        return;
    int port = pin.port - 'A';
    mask[port] |= (uint8_t)(1 << pin.bit);
    value[port] = (uint8_t)((value[port] & ~(1 << pin.bit)) | high << pin.bit);
    avr_ioport_external_t pull = {.name = (unsigned)pin.port & 0x7F, .mask = mask[port], .value = value[port]};
    avr_ioctl(bench.avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(pin.port), &pull);
    avr_raise_irq(pin_irq(pin), high);
}

/* After a reset PINx has been cleared, but a level that is the same as before would be taken for no change. */
static void drive_again(void)
{
    for (int port = 0; port < 26; port++)
        for (int bit = 0; bit < 8; bit++)
            if (mask[port] >> bit & 1) {
                pin_t pin = {(char)('A' + port), bit};
                bool high = value[port] >> bit & 1;
                avr_raise_irq(pin_irq(pin), !high);
                avr_raise_irq(pin_irq(pin), high);
            }
}

void contact_set(part_t *part, bool made)
{
    part->made = made;
    if (part->row >= 0)
        matrix_update();
    else if (part->chain < 0)
        drive(part->pin, made != part->low);
}

static void encoder_levels(part_t *part)
{
    drive(part->pin, part->ab >> 1);
    drive(part->b, part->ab & 1);
}

static uint64_t encoder_step(uint64_t when, void *param)
{
    /* Up when A leads B, along the Gray code 00 10 11 01 of A B (any encoder's data sheet). */
    static const int up[4] = {2, 0, 3, 1}, down[4] = {1, 3, 0, 2};
    part_t *part = param;
    if (!part->pending)
        return 0;
    part->ab = part->pending > 0 ? up[part->ab] : down[part->ab];
    part->pending -= part->pending > 0 ? 1 : -1;
    encoder_levels(part);
    return part->pending ? when + cycles_of(QUARTER_US) : 0;
}

void encoder_turn(part_t *part, int counts)
{
    bool still = !part->pending;
    part->pending += counts;
    if (still && part->pending)
        call_at(now_cycles() + cycles_of(QUARTER_US), encoder_step, part);
}

void pot_millivolts(part_t *part, int millivolts)
{
    part->millivolts = millivolts < 0 ? 0 : millivolts > 5000 ? 5000 : millivolts;
    avr_raise_irq(avr_io_getirq(bench.avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + part->adc), (uint32_t)part->millivolts);
}

void pot_put(part_t *part, int permille)
{
    pot_millivolts(part, permille * 5);
}

/* --- light --- */

int lightness(double duty)
{
    /* CIE 1976 (ISO/CIE 11664-4). */
    double l = duty > 0.008856 ? 116.0 * cbrt(duty) - 16.0 : 903.3 * duty;
    return (int)lround(l * 10.0);
}

static void window_end(part_t *part, uint64_t at)
{
    uint64_t length = at - part->window_start;
    if (part->lit)
        part->on_cycles += at - part->since;
    part->since = at;
    part->part[part->windows++ % WINDOWS] = length ? (double)part->on_cycles / (double)length : 0.0;
    part->on_cycles = 0;
    part->window_start = at;
    if (part->windows % EYE)
        return;
    double duty = 0.0;
    for (unsigned i = 1; i <= EYE; i++)
        duty += part->part[(part->windows - i) % WINDOWS] / EYE;
    /* A flash is a pair of opposing changes, counted when the light comes back (WCAG 2.x, success criterion 2.3.1). */
    bool seen = duty > (part->seen_lit ? 0.002 : 0.004);
    if (seen && !part->seen_lit) {
        int recent = 1;
        for (int i = 0; i < 4; i++)
            recent += part->flash_at[i] && at - part->flash_at[i] <= cycles_of(1e6);
        memmove(part->flash_at + 1, part->flash_at, sizeof part->flash_at - sizeof *part->flash_at);
        part->flash_at[0] = at;
        part->flashes++;
        if (recent > part->most_flashes)
            part->most_flashes = recent;
    }
    part->seen_lit = seen;
}

static uint64_t every_window(uint64_t when, void *unused)
{
    (void)unused;
    for (int i = 0; i < bench.parts; i++)
        if (bench.part[i].kind == LAMP)
            window_end(&bench.part[i], now_cycles());
    return when + cycles_of(WINDOW_US);
}

void lamp_level(part_t *part, bool lit)
{
    if (lit == part->lit)
        return;
    uint64_t at = now_cycles();
    if (part->lit)
        part->on_cycles += at - part->since;
    part->lit = lit;
    part->since = part->since_change = at;
    if (lit) {
        if (part->rises++ && at - part->rose > part->longest_rise)
            part->longest_rise = at - part->rose;
        part->rose = at;
    }
}

double lamp_duty(part_t *part)
{
    double sum = 0.0, weights = 0.0;
    if (now_cycles() - part->since_change > cycles_of(STEADY_US))
        return part->lit ? 1.0 : 0.0;
    for (unsigned i = 0; i < WINDOWS; i++) {
        double weight = 1.0 - cos(2.0 * M_PI * (i + 0.5) / WINDOWS);
        sum += weight * part->part[(part->windows + i) % WINDOWS];
        weights += weight;
    }
    return sum / weights;
}

static void lamp_pin(struct avr_irq_t *irq, uint32_t value, void *param)
{
    part_t *part = param;
    (void)irq;
    lamp_level(part, (value & 1) != part->low);
}

void parts_again(void)
{
    for (int i = 0; i < bench.parts; i++) {
        part_t *part = &bench.part[i];
        if (part->kind == LAMP && part->chain < 0)
            lamp_level(part, false); /* all pins are inputs */
    }
    drive_again();
    chips_again();
}

void parts_begin(void)
{
    for (int i = 0; i < bench.parts; i++) {
        part_t *part = &bench.part[i];
        switch (part->kind) {
        case CONTACT:
            contact_set(part, false);
            break;
        case ENCODER:
            part->ab = 3; /* both open at a detent, both pulled up */
            encoder_levels(part);
            break;
        case POT:
            pot_put(part, 500);
            break;
        case LAMP:
            if (part->chain < 0)
                avr_irq_register_notify(pin_irq(part->pin), lamp_pin, part);
            break;
        case DISPLAY:
            break;
        }
    }
    call_at(cycles_of(WINDOW_US), every_window, NULL);
}
