/* Outputs: lamps as bit planes, displays as rows of segments, dark, and `wink`. */
#include <string.h>

#include "inside.h"

#define HALF_WINK_MS 250u /* twice a second: under the three flashes that WCAG 2 (2.3.1) allows */
#define HALF_WINKS 12u    /* three seconds */

/* Control registers of a MAX7219-type driver (data sheet, register address map). */
enum { DECODE_MODE = 9, INTENSITY, SCAN_LIMIT, SHUTDOWN, DISPLAY_TEST = 15 };

uint16_t bb_duty(uint16_t lightness)
{
    /* CIE 1976: L* = 116 (Y/Yn)^(1/3) - 16 above 8, 903.3 Y/Yn below. With L* in tenths, f = (L + 160) / 1160. */
    uint32_t f;

    if (lightness <= 80u) {
        /* 29 / 256 = 1023 / 9033 within one part in 4000 */
        uint16_t duty = (uint16_t)(lightness * 29u + 128u) >> 8;

        return duty == 0 && lightness ? 1 : duty;
    }
    f = (lightness > 1000u ? 1000u : lightness) + 160u;
    /* f^3 / 1160^3 * 1023 without a division: 5630 = 1023 / 1160^3 * 2^33 */
    return (uint16_t)(((f * f * f >> 12) * 5630u + (1ul << 20)) >> 21);
}

#if PANEL_LAMP_BYTES

static void show_lamp(bb_board *b, uint8_t lamp)
{
    uint8_t flags = bb_flags_of((uint8_t)(BB_LAMP_SLOT + lamp)), bit = bb_bit(lamp), n;
    volatile uint8_t *plane = &b->plane[0][lamp >> 3];
    uint16_t level = *bb_value_of(b, (uint8_t)(BB_LAMP_SLOT + lamp));

    if (!PANEL_OWN_LIGHT && b->wink_left) {
        level = (b->wink_left & 1u) && lamp < PANEL_WINK_LAMPS ? 1000u : 0u;
    } else if (!(flags & BB_DIM)) {
        level = level >= 500u ? 1000u : 0u;
    }
    level = bb_duty(level);
    if (flags & BB_LOW) {
        level = (uint16_t)~level;
    }
    for (n = BB_PLANES; n; n--) {
        uint8_t byte = *plane | bit;

        *plane = (level & 1u) ? byte : byte ^ bit;
        plane += PANEL_LAMP_BYTES;
        level >>= 1;
    }
}

static void show_all(bb_board *b)
{
    uint8_t lamp;

    for (lamp = 0; lamp < 8u * PANEL_LAMP_BYTES; lamp++) {
        show_lamp(b, lamp);
    }
    hal_lamps(b);
}

#else
#define show_lamp(b, lamp) ((void)(b), (void)(lamp))
#define show_all(b) ((void)(b))
#endif

void bb_set_lamp(bb_board *b, uint8_t lamp, uint16_t lightness)
{
    *bb_value_of(b, (uint8_t)(BB_LAMP_SLOT + lamp)) = lightness;
    show_lamp(b, lamp);
}

void bb_wink_start(bb_board *b)
{
    /* Continues in step with a wink that runs or has just ended, so that frequent requests do not flash faster. */
    b->wink_left = (uint8_t)(HALF_WINKS + (b->wink_left & 1u));
    if (b->wink_left_ms == 0) {
        b->wink_left_ms = 1;
    }
}

void bb_wink_step(bb_board *b)
{
    if (b->wink_left) {
        b->wink_left--;
        b->wink_left_ms = HALF_WINK_MS;
        if (PANEL_OWN_LIGHT) {
            hal_light(b, b->wink_left & 1u);
        } else {
            show_all(b);
        }
    }
}

uint8_t *bb_digit(bb_board *b, uint8_t display, uint8_t digit)
{
#if PANEL_DISPLAYS
    int8_t step = (int8_t)bb_flash_byte(&panel_displays[display].step);
    uint8_t at = bb_flash_byte(&panel_displays[display].first);

    while (digit--) {
        at = (uint8_t)(at + step);
    }
    return &b->row[at & 7u][at >> 3];
#else
    (void)display;
    (void)digit;
    return &b->row[0][0];
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
    static const uint8_t values[4] BB_FLASH = {0, PANEL_INTENSITY, 7, 1}; /* of the control registers 9 to 12 */
    uint8_t n = b->display_next;

    if (n == 0) {
        return false;
    }
    b->display_next = (uint8_t)(n + 1u);
    if (n < DECODE_MODE) {
        hal_display(b, n, b->row[n - 1u]);
    } else if (n <= SHUTDOWN) {
        send_control(b, n, b->dark ? 0 : bb_flash_byte(&values[n - DECODE_MODE]));
    } else {
        send_control(b, DISPLAY_TEST, 0);
        b->display_next = 0;
    }
    return true;
}

#else

bool bb_display_step(bb_board *b)
{
    (void)b;
    return false;
}

#endif

/* Blank all: lamps at once, displays by their shutdown register and then row by row. */
void bb_all_off(bb_board *b)
{
    b->wink_left = 0;
    if (PANEL_OWN_LIGHT) {
        hal_light(b, false);
    }
#if PANEL_LAMP_BYTES
    memset(bb_value_of(b, BB_LAMP_SLOT), 0, 16u * PANEL_LAMP_BYTES);
#endif
    show_all(b);
#if PANEL_DISPLAY_CHIPS
    send_control(b, SHUTDOWN, 0);
    memset(b->row, 0, sizeof b->row);
    b->display_next = 1;
#endif
}

void bb_go_dark(bb_board *b)
{
    b->dark = true;
    bb_all_off(b);
    b->dark_at = hal_clock(b);
}
