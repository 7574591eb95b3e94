/* News: from events and slow inputs to records in the news ring, from there to lines.
 *
 * The ring holds one record for each line to come: kind and count in one byte, the clock in four, then what the kind needs.
 * Only the main loop touches it, so the newest record may still grow (more changes of a raw contact) until it is put out.
 * A record that finds no room is counted, and the next one that does is preceded by a record of how many were lost. */
#include "inside.h"

enum {
    IS,       /* contacts: value << 7 | input, each */
    VALUE,    /* slot, value (2) */
    EDGE,     /* level << 7 | input, then microseconds (2) to each further edge */
    PAIR,     /* slot of an encoder, levels */
    READING,  /* slot of a pot, reading (2) */
    SKIP,     /* slot of an encoder, illegal jumps (2) */
    GHOST,    /* input */
    ESSENTIAL, /* from here on: never counted as lost, room is kept for them */
    ALIVE_NEWS = ESSENTIAL,
    DARK_NEWS, /* cause */
    OVERRUN,   /* bytes (1) */
    LOST       /* how many (2) */
};

#define HEAD 5u
#define LOST_ROOM (HEAD + 2u)
#define KEPT_ROOM (HEAD + HEAD + 1u + HEAD + 1u) /* an alive, a dark and an overrun */
#define MOST_EDGES 9u                /* further edges in one line: (80 - 32 - 1) / 5 */

/* Contacts that fit one line: 56 characters are left for " id=1". */
#define MOST_CONTACTS (56u / (PANEL_LONGEST_ID + 3u))

#if PANEL_LONGEST_ID < 1 || PANEL_LONGEST_ID > 8
#error "PANEL_LONGEST_ID must be 1 to 8"
#endif

static void ring_put(bb_board *b, uint8_t byte)
{
    uint16_t at = (uint16_t)b->ring_tail + b->ring_used;

    b->ring[at < BB_NEWS ? at : at - BB_NEWS] = byte;
    b->ring_used++;
}

static void ring_put2(bb_board *b, uint16_t value)
{
    ring_put(b, (uint8_t)value);
    ring_put(b, (uint8_t)(value >> 8));
}

static uint8_t ring_get(bb_board *b)
{
    uint8_t byte = b->ring[b->ring_tail];

    b->ring_tail = b->ring_tail + 1u < BB_NEWS ? (uint8_t)(b->ring_tail + 1u) : 0;
    b->ring_used--;
    return byte;
}

static uint16_t ring_get2(bb_board *b)
{
    uint8_t low = ring_get(b);

    return (uint16_t)(low | (uint16_t)ring_get(b) << 8);
}

static void put_head(bb_board *b, uint8_t kind, uint8_t count, uint32_t clock)
{
    uint16_t at = (uint16_t)b->ring_tail + b->ring_used;

    b->last = (uint8_t)(at < BB_NEWS ? at : at - BB_NEWS);
    b->last_kind = kind;
    b->last_clock = clock;
    ring_put(b, (uint8_t)(kind << 4 | count));
    ring_put2(b, (uint16_t)clock);
    ring_put2(b, (uint16_t)(clock >> 16));
}

static void count_lost(bb_board *b, uint16_t lines)
{
    b->lost = (uint16_t)(b->lost + lines);
    b->dropped = (uint16_t)(b->dropped + lines);
}

/* Begin a record of `more` bytes after its head. False: no room; if it is not essential it is counted as lost. */
static bool record(bb_board *b, uint8_t kind, uint8_t count, uint8_t more, uint32_t clock)
{
    uint16_t need = (uint16_t)(HEAD + more + (b->lost ? LOST_ROOM : 0u));

    if (kind < ESSENTIAL) {
        need = (uint16_t)(need + KEPT_ROOM + (b->lost ? 0u : LOST_ROOM));
    }
    if (b->ring_used + need > BB_NEWS) {
        if (kind < ESSENTIAL) {
            count_lost(b, 1);
        }
        return false;
    }
    if (b->lost) {
        put_head(b, LOST, 0, clock);
        ring_put2(b, b->lost);
        b->lost = 0;
    }
    put_head(b, kind, count, clock);
    return true;
}

/* The clock of the next record that is no raw edge: never before the last one's. */
static uint32_t steady(const bb_board *b, uint32_t clock)
{
    return (int32_t)(clock - b->last_clock) < 0 ? b->last_clock : clock;
}

/* One more edge of a raw contact: on the end of the newest record if that is the same contact's, else in a new one. */
static void add_edge(bb_board *b, uint8_t code, uint32_t at)
{
    uint32_t since = at - b->last_clock;

    if (b->ring_used && b->last_kind == EDGE && b->lost == 0 && since <= 0xFFFFu) {
        uint8_t head = b->ring[b->last];
        uint8_t count = head & 15u;
        uint16_t first = (uint16_t)(b->last + HEAD);
        uint8_t parity = (uint8_t)(count & 1u ? 0x80u : 0u);

        if (first >= BB_NEWS) {
            first = (uint16_t)(first - BB_NEWS);
        }
        /* The level turns with each edge: the count says which it has now, and this one must be the other. */
        if (count < MOST_EDGES && b->ring[first] == (uint8_t)(code ^ parity ^ 0x80u)
            && b->ring_used + 2u + LOST_ROOM + KEPT_ROOM <= BB_NEWS) {
            b->ring[b->last] = (uint8_t)(head + 1u);
            ring_put2(b, (uint16_t)since);
            b->last_clock = at;
            return;
        }
    }
    if (record(b, EDGE, 0, 1, at)) {
        ring_put(b, code);
    }
}

#if PANEL_ENCODERS
/* An edge on an encoder's input: the levels of both after it. */
static bool add_pair(bb_board *b, uint8_t code, uint32_t at)
{
    uint8_t e, input = code & 0x7Fu;

    for (e = 0; e < PANEL_ENCODERS; e++) {
        bool is_a = bb_flash_byte(&panel_encoders[e].a) == input;
        uint8_t mask = is_a ? 2 : 1;

        if (!is_a && bb_flash_byte(&panel_encoders[e].b) != input) {
            continue;
        }
        b->encoder_raw_ab[e]
            = (uint8_t)((code & 0x80u) ? b->encoder_raw_ab[e] | mask : b->encoder_raw_ab[e] & ~mask);
        if (record(b, PAIR, 0, 2, at)) {
            ring_put(b, (uint8_t)(BB_ENCODER_SLOT + e));
            ring_put(b, b->encoder_raw_ab[e]);
        }
        return true;
    }
    return false;
}
#endif

void bb_event_put(bb_board *b, uint8_t kind, uint8_t code, uint16_t at)
{
    uint8_t before = hal_hold();
    uint8_t head = b->ev_head;

    if ((uint8_t)(head - b->ev_tail) >= BB_EVENTS) {
        b->ev_lost++;
    } else {
        bb_event *event = &b->event[head % BB_EVENTS];

        event->at = at;
        event->kind = kind;
        event->code = code;
        b->ev_head = (uint8_t)(head + 1u);
    }
    hal_release(before);
}

void bb_edge(bb_board *b, uint8_t input, bool level, uint16_t at)
{
    bb_event_put(b, EV_EDGE, (uint8_t)(input | (level ? 0x80u : 0u)), at);
}

/* As many contact changes of one scan as fit one line; they stand together in the queue. */
static void add_contacts(bb_board *b, uint8_t tail, uint8_t head, uint32_t at)
{
    uint16_t stamp = b->event[tail % BB_EVENTS].at;
    uint8_t count = 0;

    while (count < MOST_CONTACTS && (uint8_t)(tail + count) != head) {
        const bb_event *event = &b->event[(uint8_t)(tail + count) % BB_EVENTS];

        if (event->kind != EV_CONTACT || event->at != stamp) {
            break;
        }
        count++;
    }
    if (record(b, IS, count, count, steady(b, at))) {
        uint8_t n;

        for (n = 0; n < count; n++) {
            ring_put(b, b->event[(uint8_t)(tail + n) % BB_EVENTS].code);
        }
    }
    b->ev_tail = (uint8_t)(tail + count);
}

static void take_events(bb_board *b)
{
    uint8_t before = hal_hold();
    uint8_t head = b->ev_head;
    uint16_t lost = b->ev_lost;
    uint32_t now;

    b->ev_lost = 0;
    hal_release(before);
    now = hal_clock(b); /* after reading the head: no event before it is later than now */
    while (b->ev_tail != head) {
        uint8_t tail = b->ev_tail;
        const bb_event *event = &b->event[tail % BB_EVENTS];
        uint8_t code = event->code;
        uint32_t at = now - (uint16_t)((uint16_t)now - event->at);

        switch (event->kind) {
        case EV_CONTACT:
            add_contacts(b, tail, head, at);
            continue;
        case EV_EDGE:
#if PANEL_ENCODERS
            if (add_pair(b, code, at)) {
                break;
            }
#endif
            add_edge(b, code, at);
            break;
        case EV_SELECTOR:
            if (record(b, VALUE, 0, 3, steady(b, at))) {
                ring_put(b, (uint8_t)(BB_SELECTOR_SLOT + (code >> 4)));
                ring_put2(b, code & 15u);
            }
            break;
        default:
            if (record(b, GHOST, 0, 1, steady(b, at))) {
                ring_put(b, code);
            }
            break;
        }
        b->ev_tail = (uint8_t)(tail + 1u);
    }
    count_lost(b, lost); /* what the queue itself had no room for came after all that it held */
}

/* A record of a slot and a 16-bit value, at most one a slot waiting. */
static void add_once(bb_board *b, uint8_t kind, uint8_t slot, uint16_t value, uint8_t *busy, uint8_t bit)
{
    if (record(b, kind, 0, 3, steady(b, b->now))) {
        ring_put(b, slot);
        ring_put2(b, value);
        *busy |= bit;
    }
}

static void look_at_encoders(bb_board *b)
{
#if PANEL_ENCODERS
    uint8_t e;

    for (e = 0; e < PANEL_ENCODERS; e++) {
        uint8_t bit = bb_bit(e), before = hal_hold();
        int16_t count = b->encoder_count[e];
        uint16_t skips = b->encoder_skips[e];

        hal_release(before);
        if (count != b->encoder_told[e] && !(b->encoder_busy & bit)) {
            b->encoder_told[e] = count;
            add_once(b, VALUE, (uint8_t)(BB_ENCODER_SLOT + e), (uint16_t)count, &b->encoder_busy, bit);
        }
        if (skips != b->encoder_skips_told[e] && !(b->skips_busy & bit)) {
            b->encoder_skips_told[e] = skips;
            add_once(b, SKIP, (uint8_t)(BB_ENCODER_SLOT + e), skips, &b->skips_busy, bit);
        }
    }
#else
    (void)b;
#endif
}

static void look_at_pots(bb_board *b)
{
#if PANEL_POTS
    uint8_t p;

    if (b->now - b->pot_at >= 25000u) {
        b->pot_at = b->now;
        b->pot_may = 0xFF; /* forty changes a second and pot are enough for any hand; readings every second time */
        b->pot_turn ^= 1u;
        if (b->pot_turn) {
            b->pot_raw_may = b->pot_raw & b->pot_known;
        }
    }
    for (p = 0; p < PANEL_POTS; p++) {
        uint8_t bit = bb_bit(p), slot = (uint8_t)(BB_POT_SLOT + p);
        uint16_t reading = (uint16_t)(b->pot_sum[p] >> 3), told = b->pot_told[p];
        uint16_t top = bb_flash_word(&panel_pots[p].top);
        uint16_t apart = reading > told ? (uint16_t)(reading - told) : (uint16_t)(told - reading);

        if (b->pot_raw_may & bit) {
            b->pot_raw_may &= (uint8_t)~bit;
            if (record(b, READING, 0, 3, steady(b, b->now))) {
                ring_put(b, slot);
                ring_put2(b, b->pot_last[p]);
            }
        }
        /* Still when still; but the ends themselves are always reached. */
        if (apart && (apart >= bb_flash_byte(&panel_pots[p].still) || reading == 0 || reading >= top)
            && (b->pot_known & b->pot_may & ~b->pot_busy & bit)) {
            b->pot_may &= (uint8_t)~bit;
            b->pot_told[p] = reading;
            add_once(b, VALUE, slot, reading, &b->pot_busy, bit);
        }
    }
#else
    (void)b;
#endif
}

void bb_gather(bb_board *b)
{
    take_events(b);
    look_at_encoders(b);
    look_at_pots(b);
    if (b->own_dark && record(b, DARK_NEWS, 0, 1, steady(b, b->now))) {
        ring_put(b, b->dark_cause);
        b->own_dark = false;
    }
    if ((int32_t)(b->now - b->alive_at) >= 0) {
        uint32_t period = b->alive_ms * 1000ul;

        b->alive_at += period;
        if ((int32_t)(b->now - b->alive_at) >= 0) {
            b->alive_at = b->now + period;
        }
        b->alive_due = true;
        if (b->overruns != b->overruns_told && record(b, OVERRUN, 0, 1, steady(b, b->now))) {
            b->overruns_told = b->overruns;
            ring_put(b, b->overruns_told);
        }
    }
    if (b->alive_due && record(b, ALIVE_NEWS, 0, 0, steady(b, b->now))) {
        b->alive_due = false;
    }
}

static void put_alive(bb_board *b)
{
    bb_put_flash(b, BB_TEXT("alive"));
    bb_put_space_hex(b, b->boot, 4);
    bb_put_space_hex(b, b->wraps, 4);
    bb_put_space_hex(b, b->bad, 4);
    bb_put_space_hex(b, b->dropped, 4);
    bb_put_space_hex(b, b->worst_us, 4);
    b->worst_us = 0;
    bb_put_space_hex(b, hal_supply_mv(b), 4);
    bb_put_space_hex(b, (uint8_t)((b->dark ? 1 : 0) | (b->deadman_ms ? 2 : 0)), 2);
}

static void put_contacts(bb_board *b, uint8_t count)
{
    bb_put_flash(b, BB_TEXT("is"));
    while (count--) {
        uint8_t code = ring_get(b);

        bb_put_id(b, code & 0x7Fu);
        bb_put(b, '=');
        bb_put(b, (code & 0x80u) ? '1' : '0');
    }
}

static void put_edges(bb_board *b, uint8_t count)
{
    uint8_t code = ring_get(b);

    bb_put_flash(b, BB_TEXT("edge"));
    bb_put_id(b, code & 0x7Fu);
    bb_put(b, '=');
    bb_put(b, (code & 0x80u) ? '1' : '0');
    while (count--) {
        bb_put_space_hex(b, ring_get2(b), 4);
    }
}

/* "word id=value" of VALUE, READING, SKIP and PAIR. */
static void put_value_news(bb_board *b, uint8_t kind)
{
    uint8_t slot = ring_get(b);
    uint16_t value = kind == PAIR ? ring_get(b) : ring_get2(b);
    uint8_t width = kind == PAIR ? 1 : bb_value_width(slot);

    bb_put_flash(b, kind == VALUE     ? BB_TEXT("is")
                    : kind == READING ? BB_TEXT("raw")
                    : kind == SKIP    ? BB_TEXT("skip")
                                      : BB_TEXT("edge"));
    bb_put_id(b, slot);
    bb_put(b, '=');
    bb_put_hex(b, value, width);
    if (kind == SKIP) {
        b->skips_busy &= (uint8_t)~bb_bit((uint8_t)(slot - BB_ENCODER_SLOT));
    } else if (kind == VALUE && slot >= BB_POT_SLOT) {
        b->pot_busy &= (uint8_t)~bb_bit((uint8_t)(slot - BB_POT_SLOT));
    } else if (kind == VALUE && slot >= BB_ENCODER_SLOT) {
        b->encoder_busy &= (uint8_t)~bb_bit((uint8_t)(slot - BB_ENCODER_SLOT));
    }
}

bool bb_news(bb_board *b)
{
    uint8_t head, kind;
    uint32_t clock;

    if (b->ring_used == 0) {
        return false;
    }
    head = ring_get(b);
    kind = head >> 4;
    clock = ring_get2(b);
    clock |= (uint32_t)ring_get2(b) << 16;
    bb_open_news(b, clock);
    switch (kind) {
    case IS:
        put_contacts(b, head & 15u);
        break;
    case EDGE:
        put_edges(b, head & 15u);
        break;
    case GHOST:
        bb_put_flash(b, BB_TEXT("ghost"));
        bb_put_id(b, ring_get(b));
        break;
    case ALIVE_NEWS:
        put_alive(b);
        break;
    case DARK_NEWS:
        bb_put_flash(b, ring_get(b) == DARK_LOCAL ? BB_TEXT("dark local") : BB_TEXT("dark deadman"));
        break;
    case LOST:
        bb_put_flash(b, BB_TEXT("lost"));
        bb_put_space_hex(b, ring_get2(b), 4);
        break;
    case OVERRUN:
        bb_put_flash(b, BB_TEXT("overrun"));
        bb_put_space_hex(b, ring_get(b), 4);
        break;
    default:
        put_value_news(b, kind);
        break;
    }
    bb_close(b);
    return true;
}

void bb_boot_news(bb_board *b, bb_cause cause)
{
    static const char causes[5][9] BB_FLASH = {"power", "reset", "watchdog", "brownout", "unknown"};

    bb_open_news(b, hal_clock(b));
    bb_put_flash(b, BB_TEXT("boot"));
    bb_put_space_hex(b, b->boot, 4);
    bb_put(b, ' ');
    bb_put_flash(b, causes[cause]);
    bb_put_space_hex(b, 1, 2);
    bb_close(b);
}
