/* The hardware layer of hosted builds: pins, memory and displays are plain variables, and the clock is either the
 * machine's or advanced by the caller. */
#ifndef HOST_HAL_H
#define HOST_HAL_H

#include "hal.h"

typedef struct {
    bool real_time;      /* true: the clock is the machine's monotonic clock; false: it is `clock_us` */
    uint64_t clock_us;   /* since reset, if not real_time */
    uint64_t reset_ns;   /* moment of the last reset, if real_time */
    uint8_t store[BB_STORE_BYTES];
    bool store_changed;
    uint8_t levels[PANEL_INPUT_BYTES];             /* pins, 1 is high */
    uint8_t watched[PANEL_INPUT_BYTES];            /* inputs whose every edge is to be reported */
    uint16_t pot[BB_ROOM(PANEL_POTS)];
    uint8_t display[16][BB_ROOM(PANEL_DISPLAY_CHIPS)]; /* the drivers' registers, as written */
    uint8_t shown_plane[BB_PLANES][BB_ROOM(PANEL_LAMP_BYTES)]; /* the planes when last shown */
    uint16_t supply_mv;
    bool light;
    bool busy; /* the line is not idle */
} host_hardware;

uint64_t host_now_ns(void);

/* Set all inputs as before any move (contacts open, encoders at rest), and the store as it comes from the factory. */
void host_hardware_begin(host_hardware *hw);

/* Set a pin's level: the next scan sees it, and at once the pin interrupt if the pin is watched. */
void host_pin(bb_board *b, uint8_t input, bool level);

/* What is lit: the lightness of a lamp in permille, and the segments of one digit of a display. */
uint16_t host_lit(bb_board *b, uint8_t lamp);
uint8_t host_shown(bb_board *b, uint8_t display, uint8_t digit);

#endif
