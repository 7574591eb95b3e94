#define _POSIX_C_SOURCE 200809L
#include "host_hal.h"

#include "inside.h"

#include <string.h>
#include <time.h>

static host_hardware *hardware_of(bb_board *b)
{
    return b->hardware;
}

uint64_t host_now_ns(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

void host_hardware_begin(host_hardware *hw)
{
    uint8_t input;

    memset(hw, 0, sizeof *hw);
    memset(hw->store, 0xFF, sizeof hw->store);
    hw->supply_mv = 5000;
    for (input = 0; input < 8u * PANEL_INPUT_BYTES; input++) {
        if (bb_flags_of(input) & BB_LOW) {
            hw->levels[input >> 3] |= (uint8_t)(1u << (input & 7u));
        }
    }
}

uint32_t hal_clock(bb_board *b)
{
    host_hardware *hw = hardware_of(b);

    return (uint32_t)(hw->real_time ? (host_now_ns() - hw->reset_ns) / 1000u : hw->clock_us);
}

void hal_send(bb_board *b)
{
    (void)b; /* the main loop fetches the bytes */
}

bool hal_send_idle(bb_board *b)
{
    return !bb_has_byte(b) && !hardware_of(b)->busy;
}

void hal_lamps(bb_board *b)
{
    uint8_t plane, group;

    for (plane = 0; plane < BB_PLANES; plane++) {
        for (group = 0; group < BB_ROOM(PANEL_LAMP_BYTES); group++) {
            hardware_of(b)->shown_plane[plane][group] = b->plane[plane][group];
        }
    }
}

void hal_display(bb_board *b, uint8_t number, const uint8_t *data)
{
#if PANEL_DISPLAY_CHIPS
    memcpy(hardware_of(b)->display[number & 15u], data, PANEL_DISPLAY_CHIPS);
#else
    (void)b;
    (void)number;
    (void)data;
#endif
}

void hal_light(bb_board *b, bool on)
{
    hardware_of(b)->light = on;
}

void hal_watch(bb_board *b, uint8_t input, bool on)
{
    uint8_t bit = (uint8_t)(1u << (input & 7u));
    uint8_t *watched = &hardware_of(b)->watched[input >> 3];

    *watched = (uint8_t)(on ? *watched | bit : *watched & ~bit);
}

uint8_t hal_store_read(bb_board *b, uint8_t at)
{
    return hardware_of(b)->store[at];
}

void hal_store_write(bb_board *b, uint8_t at, uint8_t value)
{
    hardware_of(b)->store[at] = value;
    hardware_of(b)->store_changed = true;
}

bool hal_store_ready(bb_board *b)
{
    (void)b;
    return true;
}

uint16_t hal_supply_mv(bb_board *b)
{
    uint16_t supply = hardware_of(b)->supply_mv;

    return supply ? supply : 1; /* 0 would mean "not known" */
}

void host_pin(bb_board *b, uint8_t input, bool level)
{
    host_hardware *hw = hardware_of(b);
    uint8_t bit = (uint8_t)(1u << (input & 7u)), group = input >> 3;

    if (((hw->levels[group] & bit) != 0) == level) {
        return;
    }
    hw->levels[group] ^= bit;
    if (hw->watched[group] & bit) {
        bb_edge(b, input, level, (uint16_t)hal_clock(b));
    }
}

uint16_t host_lit(bb_board *b, uint8_t lamp)
{
#if PANEL_LAMP_BYTES
    const host_hardware *hw = hardware_of(b);
    uint16_t duty = 0, level = b->value[BB_LAMP_SLOT - BB_SELECTOR_SLOT + lamp], low = 0, high = 1000;
    uint8_t plane;

    if (hw->supply_mv < 3000) {
        return 0;
    }
    for (plane = 0; plane < BB_PLANES; plane++) {
        if (hw->shown_plane[plane][lamp >> 3] & (1u << (lamp & 7u))) {
            duty = (uint16_t)(duty | 1u << plane);
        }
    }
    if (bb_flags_of((uint8_t)(BB_LAMP_SLOT + lamp)) & BB_LOW) {
        duty = (uint16_t)(BB_DUTY_TOP - duty);
    }
    if (duty == bb_duty(level)) {
        return level; /* several lightnesses share the lowest duties: return the one that was set */
    }
    while (low < high) {
        uint16_t middle = (uint16_t)((low + high) / 2u);

        if (bb_duty(middle) < duty) {
            low = (uint16_t)(middle + 1u);
        } else {
            high = middle;
        }
    }
    return low;
#else
    (void)b;
    (void)lamp;
    return 0;
#endif
}

uint8_t host_shown(bb_board *b, uint8_t display, uint8_t digit)
{
#if PANEL_DISPLAYS
    const host_hardware *hw = hardware_of(b);
    uint8_t at = (uint8_t)(panel_displays[display].first + digit * panel_displays[display].step);
    uint8_t chip = at >> 3;

    if (hw->supply_mv < 3000) {
        return 0;
    }
    if (hw->display[15][chip]) {
        return 0xFF; /* display test */
    }
    if (!hw->display[12][chip] || hw->display[9][chip] || hw->display[11][chip] < (at & 7u)) {
        return 0; /* shut down, decoding, or outside the scan limit */
    }
    return hw->display[(at & 7u) + 1u][chip];
#else
    (void)b;
    (void)display;
    (void)digit;
    return 0;
#endif
}
