/* Outputs: lamps as bit planes, displays as rows of segments, dark, and `wink`. */
#include <string.h>

#include "inside.h"

#define HALF_WINK_US 250000u /* twice a second: under the three flashes that WCAG 2 (2.3.1) allows */
#define HALF_WINKS 12u       /* three seconds */

/* Control registers of a MAX7219-type driver (data sheet, register address map). */
enum { DECODE_MODE = 9, INTENSITY = 10, SCAN_LIMIT = 11, SHUTDOWN = 12, DISPLAY_TEST = 15 };
#define CONTROLS 5u

uint16_t bb_duty(uint16_t lightness)
{
    /* CIE 1976: L* = 116 (Y/Yn)^(1/3) - 16 above 8, 903.3 Y/Yn below. With L* in tenths, f = (L + 160) / 1160. */
    uint32_t f = lightness + 160u;

    if (lightness > 1000u) {
        f = 1160u;
    }
    if (lightness <= 80u) {
        uint16_t duty = (uint16_t)((lightness * 1023ul + 4516u) / 9033u);

        return duty == 0 && lightness ? 1 : duty;
    }
    /* f^3 / 1160^3 * 1023 without a division: 5630 = 1023 / 1160^3 * 2^33. */
    return (uint16_t)(((f * f * f >> 12) * 5630u + (1ul << 20)) >> 21);
}

static void show_duty(bb_board *b, uint8_t lamp, uint16_t duty)
{
#if PANEL_LAMP_BYTES
    uint8_t group = lamp >> 3, bit = bb_bit(lamp), plane;

    if (bb_flash_byte(&panel_lamps[lamp].flags) & BB_LOW) {
        duty = (uint16_t)~duty;
    }
    for (plane = 0; plane < BB_PLANES; plane++, duty >>= 1) {
        if (duty & 1u) {
            b->plane[plane][group] |= bit;
        } else {
            b->plane[plane][group] &= (uint8_t)~bit;
        }
    }
#else
    (void)b;
    (void)lamp;
    (void)duty;
#endif
}

static bool lamps_wink(const bb_board *b)
{
    return !PANEL_OWN_LIGHT && b->wink_left;
}

static void show_level(bb_board *b, uint8_t lamp)
{
#if PANEL_LAMP_BYTES
    uint16_t level = b->lamp[lamp];

    if (!(bb_flash_byte(&panel_lamps[lamp].flags) & BB_DIM)) {
        level = level >= 500u ? 1000u : 0u;
    }
    show_duty(b, lamp, bb_duty(level));
#else
    (void)b;
    (void)lamp;
#endif
}

void bb_set_lamp(bb_board *b, uint8_t lamp, uint16_t lightness)
{
    b->lamp[lamp] = lightness;
    if (!lamps_wink(b)) {
        show_level(b, lamp);
    }
}

void bb_lamps_show(bb_board *b)
{
#if PANEL_LAMP_BYTES
    hal_lamps(b);
#else
    (void)b;
#endif
}

static void show_all(bb_board *b)
{
#if PANEL_LAMP_BYTES
    uint8_t lamp;

    for (lamp = 0; lamp < 8u * PANEL_LAMP_BYTES; lamp++) {
        if (lamps_wink(b)) {
            show_duty(b, lamp, (b->wink_left & 1u) && lamp < PANEL_WINK_LAMPS ? BB_DUTY_TOP : 0u);
        } else {
            show_level(b, lamp);
        }
    }
#endif
    bb_lamps_show(b);
}

void bb_wink_start(bb_board *b)
{
    if (b->wink_left) {
        b->wink_left = (uint8_t)(HALF_WINKS | (b->wink_left & 1u)); /* goes on in step: asking often flashes no faster */
    } else {
        b->wink_left = HALF_WINKS;
        if (b->wink_at - b->now > HALF_WINK_US) { /* the last one is over for longer than half a period */
            b->wink_at = b->now;
        }
    }
}

bool bb_wink_step(bb_board *b)
{
    if (b->wink_left == 0 || (int32_t)(b->now - b->wink_at) < 0) {
        return false;
    }
    b->wink_left--;
    b->wink_at += HALF_WINK_US;
    if (PANEL_OWN_LIGHT) {
        hal_light(b, b->wink_left & 1u);
    } else {
        show_all(b);
    }
    return true;
}

#if PANEL_DIGITS

static uint8_t *place_at(bb_board *b, uint8_t digits, uint8_t place)
{
    const bb_digits *display = &panel_digits[digits];
    int8_t step = (int8_t)bb_flash_byte((const uint8_t *)&display->step);
    uint8_t at = (uint8_t)(bb_flash_byte(&display->first) + place * step);

    return &b->row[at & 7u][at >> 3];
}

#endif

void bb_set_place(bb_board *b, uint8_t digits, uint8_t place, uint8_t segments)
{
#if PANEL_DIGITS
    uint8_t *at = place_at(b, digits, place);

    if (*at != segments) {
        *at = segments;
        b->display_rows |= bb_bit((uint8_t)((at - &b->row[0][0]) / PANEL_DISPLAY_CHIPS));
    }
#else
    (void)b;
    (void)digits;
    (void)place;
    (void)segments;
#endif
}

uint8_t bb_get_place(const bb_board *b, uint8_t digits, uint8_t place)
{
#if PANEL_DIGITS
    return *place_at((bb_board *)(uintptr_t)b, digits, place);
#else
    (void)b;
    (void)digits;
    (void)place;
    return 0;
#endif
}

#if PANEL_DISPLAY_CHIPS

static void send_control(bb_board *b, uint8_t number, uint8_t value)
{
    uint8_t data[PANEL_DISPLAY_CHIPS];

    memset(data, value, sizeof data);
    hal_display(b, number, data);
}

bool bb_display_step(bb_board *b)
{
    static const uint8_t numbers[CONTROLS] BB_FLASH = {DISPLAY_TEST, DECODE_MODE, SCAN_LIMIT, INTENSITY, SHUTDOWN};
    static const uint8_t values[CONTROLS] BB_FLASH = {0, 0, 7, PANEL_INTENSITY, 1};
    uint8_t n, bit = 1;

    if (b->now - b->second_at >= 1000000u) { /* they forget when the supply dips */
        b->second_at = b->now;
        b->display_rows = 0xFF;
        b->display_control = (1u << CONTROLS) - 1u;
    }
    for (n = 0; n < 8; n++, bit = (uint8_t)(bit << 1)) {
        if (b->display_rows & bit) {
            b->display_rows &= (uint8_t)~bit;
            hal_display(b, (uint8_t)(n + 1u), b->row[n]);
            return true;
        }
    }
    for (n = 0, bit = 1; n < CONTROLS; n++, bit = (uint8_t)(bit << 1)) {
        if (b->display_control & bit) {
            uint8_t number = bb_flash_byte(&numbers[n]);

            b->display_control &= (uint8_t)~bit;
            send_control(b, number, number == SHUTDOWN && b->dark ? 0 : bb_flash_byte(&values[n]));
            return true;
        }
    }
    return false;
}

#else

bool bb_display_step(bb_board *b)
{
    (void)b;
    return false;
}

#endif

/* Blank all: lamps at once, displays by their shutdown register, their rows row by row behind it. */
static void all_off(bb_board *b, bool shut)
{
    b->wink_left = 0;
    if (PANEL_OWN_LIGHT) {
        hal_light(b, false);
    }
    memset(b->lamp, 0, sizeof b->lamp);
    show_all(b);
#if PANEL_DISPLAY_CHIPS
    if (shut) {
        send_control(b, SHUTDOWN, 0);
    }
    memset(b->row, 0, sizeof b->row);
    b->display_rows = 0xFF;
    b->display_control = (1u << CONTROLS) - 1u;
#else
    (void)shut;
#endif
}

void bb_go_dark(bb_board *b)
{
    b->dark = true;
    all_off(b, true);
    b->dark_at = hal_clock(b);
}

void bb_go_light(bb_board *b)
{
    b->dark = false;
    all_off(b, false);
}

void bb_outputs_begin(bb_board *b)
{
    all_off(b, true);
}
