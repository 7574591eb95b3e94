/* The native board: the state of its board, hardware, serial line and hand. */
#ifndef NATIVE_H
#define NATIVE_H

#include <stddef.h>

#include "host_hal.h"

#define HANDS 4

typedef struct {
    int fd; /* -1: free */
    size_t length;
    bool too_long;
    char line[1024];
    bool moving;          /* the answer waits until the part is at rest */
    uint8_t slot;
    int32_t position;     /* where it is in its move */
    int32_t goal;
    uint64_t next_us;     /* since reset: time of the next step */
} native_hand;

typedef struct {
    bb_board board;
    host_hardware hw;
    const char *name, *link, *hand, *store;
    unsigned long baud;
    int pty;
    bool plugged;
    char port[64];
    char control[160];
    int listener;
    native_hand hands[HANDS];
    uint8_t phase[BB_ROOM(PANEL_ENCODERS)]; /* of each encoder along the Gray order */
    uint8_t place[BB_ROOM(PANEL_SELECTORS)]; /* of each selector; 255 between two */
    uint64_t began_ns, scanned_ns, pots_ns, received_ns, sent_ns;
} native;

bool native_plug(native *n);
void native_unplug(native *n);
const char *native_port(const native *n);
void native_reset(native *n, bb_cause cause);

#endif
