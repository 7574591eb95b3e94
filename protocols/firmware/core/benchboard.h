/* benchboard: a panel board that speaks the line protocol, version 01 (`protocols/line-protocol.md`).
 *
 * Portable C99. No allocation, no standard I/O, no floating point, no global variable: all state is in one bb_board that
 * the caller passes in. Below it lies a small hardware layer, `hal.h`; beside it the map of the panel, `panel_types.h`.
 *
 * How the parts run together:
 *
 *   receive interrupt ---bb_received---> [receive ring]  --.
 *   timer interrupt   ---bb_scan-------> [event queue]   --+--> bb_poll (main loop) --> [news ring] --> [send ring]
 *   pin interrupt     ---bb_edge-------> [event queue]   --'                                               |
 *   send interrupt    <--bb_next_byte--------------------------------------------------------------------'
 *
 * Interrupts may nest, but bb_poll must not run while one of them is unfinished. Only bb_poll formats lines.
 *
 * Nothing is lost quietly. What the event queue or the news ring cannot hold is counted, line by line, and told by `lost`
 * at the place in the order of news where it is missing; raw edges count one each. Two kinds of news are never lost but
 * joined while one of them still waits to be put out: an encoder's count and a potentiometer's reading, being absolute,
 * are told once with the newest value. */
#ifndef BENCHBOARD_H
#define BENCHBOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "panel_map.h"

#define BB_VERSION "1.0"

#define BB_LINE 80u /* longest line, its end included */

#ifndef BB_RECEIVE
#define BB_RECEIVE 128u /* receive ring, as told by `hello`: a power of two, 32 to 128 */
#endif
#ifndef BB_SEND
#define BB_SEND 128u /* send ring: a power of two, 128 or more */
#endif
#ifndef BB_EVENTS
#define BB_EVENTS 32u /* event queue: a power of two, at most 128 */
#endif
#ifndef BB_NEWS
#define BB_NEWS 224u /* bytes of the news ring, 64 to 250; a change of one contact takes six */
#endif
#define BB_STAMPS 8u /* line ends whose time is kept: a power of two */
#define BB_AHEAD 24u /* bytes that may still wait in the send ring when the next line is begun */

#define BB_PLANES 10u /* bit planes of the lamps: plane k is shown for 2^k of 1023 parts of the time */
#define BB_DUTY_TOP 1023u

/* Bytes kept in non-volatile memory, from address 0. */
#define BB_STORE_BYTES 188u

/* Slots: one number for every input, selector, encoder, pot, lamp output and display, in this order. */
#define BB_SELECTOR_SLOT (8u * PANEL_INPUT_BYTES)
#define BB_ENCODER_SLOT (BB_SELECTOR_SLOT + PANEL_SELECTORS)
#define BB_POT_SLOT (BB_ENCODER_SLOT + PANEL_ENCODERS)
#define BB_LAMP_SLOT (BB_POT_SLOT + PANEL_POTS)
#define BB_DIGITS_SLOT (BB_LAMP_SLOT + 8u * PANEL_LAMP_BYTES)
#define BB_SLOTS (BB_DIGITS_SLOT + PANEL_DIGITS)

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

/* What happened in an interrupt, until bb_poll makes news of it. */
typedef struct {
    uint16_t at; /* low half of the clock */
    uint8_t kind;
    uint8_t code;
} bb_event;

/* One board. Filled by bb_begin; nobody but the core reads or writes what is in it, except where a comment says so.
 * Small and often used fields stand first: an 8-bit chip reaches the first 64 bytes cheaply. */
typedef struct bb_board {
    void *hardware; /* the port's own, as given to bb_begin */

    volatile uint8_t rx_head, rx_tail, rx_seen; /* free-running; rx_seen: how far bb_poll has looked for `dark` */
    volatile uint8_t tx_head, tx_tail;
    volatile uint8_t ev_head, ev_tail;
    volatile uint8_t stamp_head;
    uint8_t stamp_tail;
    bool rx_after_end; /* the last byte received was a line end */
    volatile uint8_t overruns;
    uint8_t overruns_told;
    volatile uint16_t ev_lost; /* lines that found no room in the event queue */
    uint8_t settling; /* first scans after a reset: levels are taken over, not told */

    uint8_t in_length;  /* of the line being taken */
    uint8_t words;      /* of the request: how many arguments */
    uint8_t arguments;  /* where they begin in `line` */
    uint8_t tag;
    uint8_t waiting;    /* what the answer of the request in `line` waits for */
    bool by_hand;
    uint32_t received;  /* when its line end came */

    uint16_t out_check;
    uint8_t out_length;
    uint16_t number; /* of the next news */

    uint8_t ring_tail, ring_used;
    uint8_t last, last_kind; /* newest record in the news ring */
    uint16_t lost;           /* news that found no room since the last record */
    uint32_t last_clock;     /* of the newest record, or of its newest edge */

    bool dark, own_dark; /* own_dark: to be told as `dark local` or `dark deadman` */
    uint8_t dark_cause;
    uint8_t early_dark;  /* dark requests acted upon but not yet answered */
    uint8_t dark_step, hand_step;
    uint16_t dark_check;
    uint32_t dark_at;
    volatile bool local_dark; /* the panel's dark switch has been made */

    uint32_t now, alive_at, fed_at;
    uint16_t alive_ms, deadman_ms;
    uint16_t boot, wraps, bad, dropped, worst_us;
    bool alive_due;

    uint8_t wink_left; /* half periods of `wink` still to go */
    uint32_t wink_at;

    uint8_t store_ident, store_name; /* bank in use, BB_NONE: the panel map's own */
    uint8_t store_step;
    uint8_t store_sequence;
    uint16_t store_check;

    uint8_t display_rows;    /* bit r: row r is to be written */
    uint8_t display_control; /* likewise, control registers */
    uint32_t second_at;      /* when the displays are written anew */

    uint8_t items;

    /* inputs: what interrupts write is volatile or read under hal_hold */
    uint8_t level[PANEL_INPUT_BYTES];   /* pins as last scanned */
    uint8_t made[PANEL_INPUT_BYTES];    /* debounced, after inversion. The port may read it */
    uint8_t low[PANEL_INPUT_BYTES];     /* contacts made when low */
    uint8_t used[PANEL_INPUT_BYTES];    /* inputs to be debounced */
    uint8_t told[PANEL_INPUT_BYTES];    /* of these, contacts with a name */
    uint8_t first[PANEL_INPUT_BYTES];   /* act on first edge */
    uint8_t running[PANEL_INPUT_BYTES]; /* timer runs */
    uint8_t change[PANEL_INPUT_BYTES];  /* accepted in this scan */
    uint8_t raw_scan[PANEL_INPUT_BYTES];
    uint16_t timer[8u * PANEL_INPUT_BYTES];
    uint8_t ghost[BB_ROOM(PANEL_MATRIX_ROWS)];   /* told as ghost */
    uint8_t phantom[BB_ROOM(PANEL_MATRIX_ROWS)]; /* may be phantoms in this scan */
    uint8_t position[BB_ROOM(PANEL_SELECTORS)];

    uint8_t encoder_ab[BB_ROOM(PANEL_ENCODERS)];
    uint8_t encoder_raw_ab[BB_ROOM(PANEL_ENCODERS)];
    int16_t encoder_count[BB_ROOM(PANEL_ENCODERS)];
    int16_t encoder_told[BB_ROOM(PANEL_ENCODERS)];
    uint16_t encoder_skips[BB_ROOM(PANEL_ENCODERS)];
    uint16_t encoder_skips_told[BB_ROOM(PANEL_ENCODERS)];
    uint8_t encoder_busy, skips_busy, encoder_raw; /* bit i: a record of encoder i waits in the news ring */

    uint16_t pot_sum[BB_ROOM(PANEL_POTS)]; /* eight times the filtered reading */
    uint16_t pot_told[BB_ROOM(PANEL_POTS)];
    uint16_t pot_last[BB_ROOM(PANEL_POTS)];
    uint8_t pot_known, pot_busy, pot_raw, pot_may, pot_raw_may; /* bit i: pot i */
    uint32_t pot_at;
    uint8_t pot_turn;

    uint16_t lamp[8u * BB_ROOM(PANEL_LAMP_BYTES)]; /* lightness as set, permille. The port may read it */
    volatile uint8_t plane[BB_PLANES][BB_ROOM(PANEL_LAMP_BYTES)];      /* for the port to show */
    uint8_t row[8][BB_ROOM(PANEL_DISPLAY_CHIPS)];                      /* segments. The port may read it */

    bb_event event[BB_EVENTS];
    uint32_t stamp[BB_STAMPS];
    uint8_t ring[BB_NEWS];
    char line[BB_LINE];
    uint8_t rx[BB_RECEIVE];
    uint8_t tx[BB_SEND];
} bb_board;

/* Begin, or begin anew after a reset: clears the board, reads ident, name and boot number from the store, writes the next
 * boot number there (waits for it, some 10 ms on AVR), darkens all outputs, and puts the `boot` news into the send ring.
 * `cause` is why the chip was reset. Call it before any interrupt is let through. */
void bb_begin(bb_board *b, bb_cause cause, void *hardware);

/* One turn of the main loop. Looks for `dark`, makes news of events, keeps dead-man, alive, wink and displays going, and
 * formats at most one line. Call it again and again: every answer and every news is late by as much as the calls are apart.
 * Returns true if it did anything, so that a hosted build knows when to sleep. */
bool bb_poll(bb_board *b);

/* One scan of all inputs, each BB_SCAN_US, usually from a timer interrupt. `levels` holds PANEL_INPUT_BYTES groups of pin
 * levels (1 is high); `now` is the clock at the moment they were sampled. */
void bb_scan(bb_board *b, uint32_t now, const uint8_t *levels);

/* One edge seen by a pin interrupt, for inputs that the core asked to watch (hal_watch): `input` is now at `level` since
 * clock `at` (low 16 bits, microseconds). bb_poll must follow within 60 ms. */
void bb_edge(bb_board *b, uint8_t input, bool level, uint16_t at);

/* One reading of potentiometer `pot`, about once a millisecond, from the main loop. */
void bb_reading(bb_board *b, uint8_t pot, uint16_t reading);

/* Duty, in parts of 1023, for a lightness in permille (0 to 1000; more counts as 1000). CIE 1976 (ISO/CIE 11664-4) turned
 * round, in whole numbers; 0 only for 0. */
uint16_t bb_duty(uint16_t lightness);

/* One step of CRC-16/IBM-3740; a line's check starts from FFFFh. */
uint16_t bb_check(uint16_t check, uint8_t byte);

/* Is this whole line (without its end) what a machine may have sent: printable, single spaces, no reserved character out
 * of place, check right? For tests and taps; the receiver uses it too. */
bool bb_line_good(const char *line, uint8_t length);

static inline bool bb_line_end(uint8_t byte)
{
    return byte == '\n' || byte == '\r';
}

uint32_t hal_clock(struct bb_board *b);

/* From the receive interrupt: one byte has come. A byte that finds the ring full is dropped and counted. */
static inline void bb_received(bb_board *b, uint8_t byte)
{
    uint8_t head = b->rx_head;

    if ((uint8_t)(head - b->rx_tail) >= BB_RECEIVE) {
        b->overruns++;
        return;
    }
    b->rx[head % BB_RECEIVE] = byte;
    if (!bb_line_end(byte)) {
        b->rx_after_end = false;
    } else if (!b->rx_after_end) {
        b->rx_after_end = true;
        b->stamp[b->stamp_head % BB_STAMPS] = hal_clock(b);
        b->stamp_head++;
    }
    b->rx_head = (uint8_t)(head + 1u);
}

/* From the receive interrupt: the receiver itself lost a byte before this one. */
static inline void bb_overrun(bb_board *b)
{
    b->overruns++;
}

/* Does a byte wait to be sent? */
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
