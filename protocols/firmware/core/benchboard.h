/* benchboard: a panel board that speaks the line protocol, version 01 (`protocols/line-protocol.md`).
 *
 * Portable C99. No allocation, no standard I/O, no floating point, no global variable: all state is in one bb_board that
 * the caller passes in. It calls a small hardware layer, `hal.h`, and is compiled with a map of the panel, `panel_types.h`.
 *
 * How the parts work together:
 *
 *   receive interrupt ---bb_received---> [receive ring]  --.
 *   timer interrupt   ---bb_scan-------> [event queue]   --+--> bb_poll (main loop) --> [notification ring] --> [send ring]
 *   pin interrupt     ---bb_edge-------> [event queue]   --'                                               |
 *   send interrupt    <--bb_next_byte--------------------------------------------------------------------'
 *
 * Interrupts may nest, but bb_poll must not run while one of them is unfinished. Only bb_poll formats lines.
 *
 * Every loss is reported. Lines for which the event queue or the notification ring has no room are counted and reported by `lost`
 * at the place in the order of notifications where they are missing; raw edges count one each. An encoder's count and a
 * potentiometer's reading are absolute, so while many other notifications wait they are merged: only the newest is sent. */
#ifndef BENCHBOARD_H
#define BENCHBOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "panel_map.h"

#define BB_VERSION "1.0"

#define BB_LINE 80u /* longest line, its end included */

#ifndef BB_RECEIVE
#define BB_RECEIVE 128u /* receive ring, as reported by `hello`: a power of two, 32 to 128 */
#endif
#ifndef BB_SEND
#define BB_SEND 128u /* send ring: a power of two, 128 or more */
#endif
#ifndef BB_EVENTS
#define BB_EVENTS 32u /* event queue: a power of two, at most 128 */
#endif
#define BB_NOTIFICATIONS 256u /* bytes of the notification ring: its indices wrap by themselves; a change of one contact takes six */
#define BB_STAMPS 8u /* how many line ends' times are kept: a power of two */
#define BB_AHEAD 24u /* how many bytes may still wait in the send ring when the next line is begun */

#define BB_PLANES 10u /* bit planes of the lamps: plane k is shown for 2^k of 1023 parts of the time */
#define BB_DUTY_TOP 1023u

/* Bytes kept in non-volatile memory, from address 0. */
#define BB_STORE_BYTES 108u

/* Slots: one number for every input, selector, encoder, pot, lamp output and display, in this order. */
#define BB_SELECTOR_SLOT (8u * PANEL_INPUT_BYTES)
#define BB_ENCODER_SLOT (BB_SELECTOR_SLOT + PANEL_SELECTORS)
#define BB_POT_SLOT (BB_ENCODER_SLOT + PANEL_ENCODERS)
#define BB_LAMP_SLOT (BB_POT_SLOT + PANEL_POTS)
#define BB_DISPLAY_SLOT (BB_LAMP_SLOT + 8u * PANEL_LAMP_BYTES)
#define BB_SLOTS (BB_DISPLAY_SLOT + PANEL_DISPLAYS)

#if PANEL_INPUT_BYTES < 1 || PANEL_INPUT_BYTES > 15
#error "PANEL_INPUT_BYTES must be 1 to 15"
#endif
#if PANEL_ENCODERS > 8 || PANEL_POTS > 8 || PANEL_SELECTORS > 15
#error "at most 8 encoders, 8 pots and 15 selectors on one board"
#endif
#if BB_SLOTS > 240
#error "more channels than one board can describe"
#endif

#define BB_ROOM(n) ((n) ? (n) : 1u) /* C99 has no arrays of no elements */

typedef enum { BB_POWER, BB_RESET, BB_WATCHDOG, BB_BROWNOUT, BB_UNKNOWN } bb_cause;

/* The values of `alive`, in its order: boot number, wraps of the clock, bad lines, notifications dropped, longest turn in us. */
enum { BB_BOOT, BB_WRAPS, BB_BAD, BB_DROPPED, BB_WORST, BB_COUNTERS };

/* An event of an interrupt, queued until bb_poll makes a notification of it. */
typedef struct {
    uint16_t when; /* low 14 bits of the clock, then the kind (2) */
    uint8_t code;
} bb_event;

/* Eight inputs, one bit each. */
typedef struct {
    uint8_t level;   /* pins as last scanned */
    uint8_t made;    /* contacts made, debounced and after inversion. The port may read it */
    uint8_t low;     /* contacts made when low */
    uint8_t used;    /* inputs to be debounced */
    uint8_t told;    /* of these, the contacts that are channels and are reported */
    uint8_t first;   /* contacts that act on the first edge */
    uint8_t running; /* contacts whose timer runs */
    uint8_t change;  /* changes accepted in this scan */
    uint8_t raw;     /* contacts whose edges are reported as the scan sees them */
    uint8_t timer[8];
} bb_group;

typedef struct {
    uint16_t told, skips, skips_told;
    uint8_t ab, raw_ab;
} bb_encoder_state;

typedef struct {
    uint16_t sum; /* eight times the filtered reading */
    uint16_t last;
    uint8_t flags;
} bb_pot_state;

/* One board. Filled by bb_begin; only the core reads or writes its fields, except where a comment says otherwise.
 * Small and often used fields come first: an 8-bit chip reaches the first 64 bytes cheaply. */
typedef struct bb_board {
    volatile uint8_t rx_head, rx_tail, rx_seen; /* free-running; rx_seen: how far bb_poll has looked for `dark` */
    volatile uint8_t tx_head, tx_tail;
    volatile uint8_t ev_head, ev_tail;
    volatile uint8_t stamp_head;
    uint8_t stamp_tail;
    volatile uint16_t ev_lost; /* lines for which the event queue had no room */
    uint8_t settling; /* scans left after a reset in which levels are taken over, not reported */

    uint8_t in_length; /* of the line being received */
    uint8_t tag;       /* of the request in `line`; 0: typed by hand */
    uint8_t words;     /* how many arguments it has */
    uint8_t arguments; /* where they begin */
    uint8_t waiting;   /* what its answer waits for (WAIT_…) */

    uint16_t out_check;
    uint8_t out_length;
    uint16_t number; /* of the next notification */

    uint8_t ring_tail, ring_used;
    uint8_t last;        /* newest record in the notification ring */
    uint16_t lost;       /* notifications lost for want of room since the last record */
    uint32_t at;         /* clock of the record to be made */
    uint32_t last_at;    /* of the newest record, or of its newest edge */
    uint32_t now;

    bool dark;
    volatile bool local_dark; /* the panel's dark switch is made */
    uint8_t own_dark;    /* cause still to be reported: DARK_DEADMAN or DARK_LOCAL */
    uint8_t early_dark;  /* dark requests carried out but not yet answered */
    uint8_t seen_length; /* of the line that bb_poll searches for `dark` ahead of its turn */
    bool alive_due;
    bool notification_turn; /* the last line was a notification that went before an answer */
    uint8_t wink_left; /* half periods of `wink` still to go */
    uint8_t display_next; /* register of the display drivers to be written next; 0: all are up to date */
    uint8_t items;
    uint8_t store_step;

    /* about 64 bytes up to here */
    void *hardware; /* the port's own data, as given to bb_begin */
    volatile uint16_t overruns; /* received bytes lost because the ring was full, or by the receiver itself */
    uint32_t dark_at;
    uint32_t received; /* clock at the request's line end */
    uint32_t tick_at;  /* the last millisecond counted */
    uint16_t alive_ms, deadman_ms;
    uint16_t alive_left, deadman_left, second_left, wink_left_ms, pot_left; /* in ms, counted down */
    uint8_t pot_turn;
    uint16_t counters[BB_COUNTERS];

    bb_group group[PANEL_INPUT_BYTES]; /* shared with bb_scan's interrupt, as encoders and positions are */
    uint8_t ghost[BB_ROOM(PANEL_MATRIX_ROWS)];   /* contacts reported as ghosts */
    uint8_t maybe_ghost[BB_ROOM(PANEL_MATRIX_ROWS)]; /* contacts that may be ghosts in this scan */
    bb_encoder_state encoder[BB_ROOM(PANEL_ENCODERS)];
    bb_pot_state pot[BB_ROOM(PANEL_POTS)];
    /* By slot, from the first selector on: positions, counts, readings as reported, lightness as set. The port may read it. */
    uint16_t value[BB_ROOM(BB_DISPLAY_SLOT - BB_SELECTOR_SLOT)];
    volatile uint8_t plane[BB_PLANES][BB_ROOM(PANEL_LAMP_BYTES)]; /* for the port to show */
    uint8_t row[8][BB_ROOM(PANEL_DISPLAY_CHIPS)]; /* segments. The port may read it */

    bb_event event[BB_EVENTS];
    uint16_t stamp[BB_STAMPS]; /* low half of the clock */
    uint8_t ring[BB_NOTIFICATIONS];
    char line[BB_LINE];
    uint8_t rx[BB_RECEIVE];
    uint8_t tx[BB_SEND];
} bb_board;

/* Begin, or begin again after a reset: clears the board, reads ident, name and boot number from the store, writes the next
 * boot number there (and waits for that, some 10 ms on AVR), darkens all outputs, and puts the `boot` notification into the
 * send ring. `cause` is why the chip was reset. Call it before enabling interrupts. */
void bb_begin(bb_board *b, bb_cause cause, void *hardware);

/* One turn of the main loop. Looks for `dark`, makes notifications of events, runs dead-man, alive, wink and displays, and
 * formats at most one line. Call it all the time: answers and notifications are late by up to the time between two calls.
 * Returns true if it did anything, so that a hosted build knows when to sleep. */
bool bb_poll(bb_board *b);

/* One scan of all inputs, every BB_SCAN_US, usually from a timer interrupt. `levels` holds PANEL_INPUT_BYTES groups of pin
 * levels (1 is high); `now` is the clock at the moment they were sampled. */
void bb_scan(bb_board *b, uint32_t now, const uint8_t *levels);

/* One edge seen by a pin interrupt, for inputs that the core asked to watch (hal_watch): `input` has been at `level` since
 * clock `at` (low 16 bits, microseconds). bb_poll must be called within 15 ms. */
void bb_edge(bb_board *b, uint8_t input, bool level, uint16_t at);

/* One reading of potentiometer `pot`, about once a millisecond, from the main loop. */
void bb_reading(bb_board *b, uint8_t pot, uint16_t reading);

/* Duty, in parts of 1023, for a lightness in permille (0 to 1000; more counts as 1000): the inverse of CIE 1976 lightness
 * (ISO/CIE 11664-4), in integers; 0 only for 0. */
uint16_t bb_duty(uint16_t lightness);

/* One step of CRC-16/IBM-3740; a line's check starts from FFFFh. It is inline because it runs for every byte both ways:
 * calls would cost the chip a twentieth of its answers per second. */
__attribute__((always_inline)) static inline uint16_t bb_check(uint16_t check, uint8_t byte)
{
    /* Polynomial 1021h, a byte at a time without a table (its terms x^12 and x^5 folded into shifts). */
    uint8_t x = (uint8_t)((check >> 8) ^ byte);

    x ^= (uint8_t)(x >> 4);
    return (uint16_t)((uint16_t)(check << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^ x);
}

static inline bool bb_line_end(uint8_t byte)
{
    return byte == '\n' || byte == '\r';
}

#ifndef bb_stamp_clock
uint32_t hal_clock(bb_board *b);
#define bb_stamp_clock(b) hal_clock(b) /* a port may define its own, to save its interrupt a call */
#endif

/* From the receive interrupt: one byte has come. If the ring is full, the byte is dropped and counted. */
static inline void bb_received(bb_board *b, uint8_t byte)
{
    uint8_t head = b->rx_head;

    if ((uint8_t)(head - b->rx_tail) >= BB_RECEIVE) {
        b->overruns++;
        return;
    }
    b->rx[head % BB_RECEIVE] = byte;
    if (bb_line_end(byte) && !bb_line_end(b->rx[(uint8_t)(head - 1u) % BB_RECEIVE])) {
        b->stamp[b->stamp_head % BB_STAMPS] = (uint16_t)bb_stamp_clock(b); /* the end of a line that is not empty */
        b->stamp_head++;
    }
    b->rx_head = (uint8_t)(head + 1u);
}

/* From the receive interrupt: the receiver itself lost a byte before this one. */
static inline void bb_overrun(bb_board *b)
{
    b->overruns++;
}

/* True if a byte waits to be sent. */
static inline bool bb_has_byte(const bb_board *b)
{
    return b->tx_tail != b->tx_head;
}

/* From the send interrupt, only if bb_has_byte: take the next byte. */
static inline uint8_t bb_next_byte(bb_board *b)
{
    uint8_t tail = b->tx_tail;
    uint8_t byte = b->tx[tail % BB_SEND];

    b->tx_tail = (uint8_t)(tail + 1u);
    return byte;
}

#endif
