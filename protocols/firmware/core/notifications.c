/* Notifications: from events and slow inputs to records in the notification ring, from there to lines.
 *
 * The ring holds one record for each line to be sent: kind and count in one byte, the clock in four, then what the kind needs.
 * Only the main loop touches it, so the newest record may still grow (more changes of a raw contact) until it is sent.
 * A record for which there is no room is counted, and the next one that fits is preceded by a record of how many were lost. */
#include "inside.h"

enum {
    EDGE,    /* level << 7 | input, then microseconds (2) to each further edge */
    PAIR,    /* slot of an encoder, levels of A and B (2) */
    IS,      /* for each contact: value << 7 | input */
    VALUE,   /* slot, value (2) */
    READING, /* slot of a pot, reading (2) */
    SKIP,    /* slot of an encoder, invalid transitions (2) */
    GHOST,   /* input */
    ESSENTIAL, /* the kinds from here on are never lost: room is reserved for them */
    ALIVE_NOTIFICATION = ESSENTIAL,
    DARK_NOTIFICATION, /* cause */
    LOST       /* how many (2) */
};

#define HEAD 5u
#define LOST_ROOM (HEAD + 2u)
#define KEPT_ROOM (LOST_ROOM + HEAD + HEAD + 1u) /* a lost, an alive and a dark */
#define BACKLOG 48u   /* bytes */
#define MOST_EDGES 9u /* further edges in one line: (80 - 32 - 1) / 5 */

#if PANEL_LONGEST_ID < 1 || PANEL_LONGEST_ID > 8
#error "PANEL_LONGEST_ID must be 1 to 8"
#endif

static void ring_put(bb_board *b, uint8_t byte)
{
    b->ring[(uint8_t)(b->ring_tail + b->ring_used)] = byte;
    b->ring_used++;
}

static void ring_put2(bb_board *b, uint16_t value)
{
    ring_put(b, (uint8_t)(value >> 8));
    ring_put(b, (uint8_t)value);
}

static uint8_t ring_get(bb_board *b)
{
    b->ring_used--;
    return b->ring[b->ring_tail++];
}

static uint16_t ring_get2(bb_board *b)
{
    uint8_t high = ring_get(b);

    return (uint16_t)((uint16_t)high << 8 | ring_get(b));
}

static void put_head(bb_board *b, uint8_t kind, uint8_t count)
{
    b->last = (uint8_t)(b->ring_tail + b->ring_used);
    b->last_at = b->at;
    ring_put(b, (uint8_t)(kind << 4 | count));
    ring_put2(b, (uint16_t)(b->at >> 16));
    ring_put2(b, (uint16_t)b->at);
}

static void count_lost(bb_board *b, uint16_t lines)
{
    b->lost = (uint16_t)(b->lost + lines);
    b->counters[BB_DROPPED] = (uint16_t)(b->counters[BB_DROPPED] + lines);
}

/* Begin a record with the clock b->at and `more` bytes after its head. Returns false if there is no room; the record is then
 * counted as lost unless it is essential. */
static bool record(bb_board *b, uint8_t kind, uint8_t count, uint8_t more)
{
    more = (uint8_t)(more + HEAD + (kind < ESSENTIAL ? KEPT_ROOM : b->lost ? LOST_ROOM : 0u));
    if (b->ring_used + more >= (int)BB_NOTIFICATIONS) {
        if (kind < ESSENTIAL) {
            count_lost(b, 1);
        }
        return false;
    }
    if (b->lost) {
        put_head(b, LOST, 0);
        ring_put2(b, b->lost);
        b->lost = 0;
    }
    put_head(b, kind, count);
    return true;
}

static void record_value(bb_board *b, uint8_t kind, uint8_t slot, uint16_t value)
{
    if (record(b, kind, 0, 3)) {
        ring_put(b, slot);
        ring_put2(b, value);
    }
}

static bool record_code(bb_board *b, uint8_t kind, uint8_t code)
{
    if (!record(b, kind, 0, 1)) {
        return false;
    }
    ring_put(b, code);
    return true;
}

/* Add an edge of a raw contact: to the newest record if that is the same contact's, else in a new one. */
static void add_edge(bb_board *b, uint8_t code)
{
    uint32_t since = b->at - b->last_at;
    uint8_t head = b->ring[b->last];
    uint8_t first = b->ring[(uint8_t)(b->last + HEAD)];

    if (head & 1u) {
        first ^= 0x80u; /* the level alternates: this is the one after the last edge, and the new one must be the other */
    }
    if (b->ring_used && head < (EDGE << 4 | MOST_EDGES) && b->lost == 0 && since <= 0xFFFFu && (first ^ code) == 0x80u
        && b->ring_used + 2u + KEPT_ROOM < BB_NOTIFICATIONS) {
        b->ring[b->last] = (uint8_t)(head + 1u);
        ring_put2(b, (uint16_t)since);
        b->last_at = b->at;
    } else {
        record_code(b, EDGE, code);
    }
}

#if PANEL_ENCODERS
/* Add an edge on an encoder's input: the levels of both inputs after it. */
static bool add_pair(bb_board *b, uint8_t code)
{
    uint8_t e;

    for (e = 0; e < PANEL_ENCODERS; e++) {
        bb_encoder_state *encoder = &b->encoder[e];
        uint8_t mask = bb_flash_byte(&panel_encoders[e].a) == (code & 0x7Fu)   ? 2
                       : bb_flash_byte(&panel_encoders[e].b) == (code & 0x7Fu) ? 1
                                                                               : 0;

        if (mask) {
            encoder->raw_ab |= mask;
            if (!(code & 0x80u)) {
                encoder->raw_ab ^= mask;
            }
            record_value(b, PAIR, (uint8_t)(BB_ENCODER_SLOT + e), encoder->raw_ab);
            return true;
        }
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

        event->when = (uint16_t)(at << 2) | kind;
        event->code = code;
        b->ev_head = (uint8_t)(head + 1u);
    }
    hal_release(before);
}

void bb_edge(bb_board *b, uint8_t input, bool level, uint16_t at)
{
    bb_event_put(b, EV_EDGE, (uint8_t)(input | (level ? 0x80u : 0u)), at);
}

/* Add as many contact changes of one scan as fit one line; they are together in the queue. Returns how many. */
static uint8_t add_contacts(bb_board *b, uint8_t tail, uint8_t head)
{
    uint16_t when = b->event[tail % BB_EVENTS].when;
    uint8_t count = 0, n;

    while (count < BB_MOST_CONTACTS && (uint8_t)(tail + count) != head
           && b->event[(uint8_t)(tail + count) % BB_EVENTS].when == when) {
        count++;
    }
    if (record(b, IS, count, count)) {
        for (n = 0; n < count; n++) {
            ring_put(b, b->event[(uint8_t)(tail + n) % BB_EVENTS].code);
        }
    }
    return count;
}

/* Sets b->at to a clock for the slow inputs looked at next: not before that of any event taken, nor after any to come. */
static void take_events(bb_board *b)
{
    uint32_t later;
    uint8_t before, head, tail;
    uint16_t lost;

    b->at = hal_clock(b);
    later = b->at + 1000u; /* events still come in meanwhile; none is later than this, or more than 15 ms earlier */
    before = hal_hold();
    head = b->ev_head;
    lost = b->ev_lost;
    b->ev_lost = 0;
    hal_release(before);
    for (tail = b->ev_tail; tail != head; b->ev_tail = tail) {
        const bb_event *event = &b->event[tail % BB_EVENTS];
        uint8_t code = event->code, taken = 1;

        b->at = later - (uint16_t)((uint16_t)((uint16_t)(later << 2) - (event->when & ~3u)) >> 2);
        switch (event->when & 3u) {
        case EV_CONTACT:
            taken = add_contacts(b, tail, head);
            break;
        case EV_EDGE:
#if PANEL_ENCODERS
            if (add_pair(b, code)) {
                break;
            }
#endif
            add_edge(b, code);
            break;
        case EV_SELECTOR:
            record_value(b, VALUE, (uint8_t)(BB_SELECTOR_SLOT + (code >> 4)), code & 15u);
            break;
        default:
            record_code(b, GHOST, code);
            break;
        }
        tail = (uint8_t)(tail + taken);
    }
    count_lost(b, lost); /* events for which the queue had no room came after all that it held */
}

#if PANEL_ENCODERS
static void look_at_encoders(bb_board *b)
{
    uint8_t e;

    for (e = 0; e < PANEL_ENCODERS; e++) {
        bb_encoder_state *encoder = &b->encoder[e];
        uint8_t before = hal_hold(), slot = (uint8_t)(BB_ENCODER_SLOT + e);
        uint16_t count = *bb_value_of(b, slot), skips = encoder->skips;

        hal_release(before);
        if (count != encoder->told) {
            encoder->told = count;
            record_value(b, VALUE, slot, count);
        }
        if (skips != encoder->skips_told) {
            encoder->skips_told = skips;
            record_value(b, SKIP, slot, skips);
        }
    }
}
#endif

#if PANEL_POTS
static void look_at_pots(bb_board *b)
{
    uint8_t p;

    for (p = 0; p < PANEL_POTS; p++) {
        bb_pot_state *pot = &b->pot[p];
        uint8_t slot = (uint8_t)(BB_POT_SLOT + p), may = pot->flags;
        uint16_t reading = pot->sum >> 3, *told = bb_value_of(b, slot), apart = (uint16_t)(reading - *told);

        pot->flags &= POT_RAW | POT_KNOWN;
        if ((may & POT_RAW_MAY) && (may & POT_RAW)) {
            record_value(b, READING, slot, pot->last);
        }
        if ((int16_t)apart < 0) {
            apart = (uint16_t)-apart;
        }
        /* Small changes are not reported, except that the ends are always reached. */
        if ((may & POT_MAY) && apart
            && (apart >= PANEL_POT_STILL || reading == 0 || reading >= bb_detail_of(slot))) {
            *told = reading;
            record_value(b, VALUE, slot, reading);
        }
    }
}
#endif

void bb_gather(bb_board *b)
{
    take_events(b);
    if (b->ring_used < BACKLOG) { /* absolute values: while much else waits they are merged, not queued */
#if PANEL_ENCODERS
        look_at_encoders(b);
#endif
#if PANEL_POTS
        look_at_pots(b);
#endif
    }
    if (b->own_dark != DARK_TOLD && record_code(b, DARK_NOTIFICATION, b->own_dark)) {
        b->own_dark = DARK_TOLD;
    }
    if (b->alive_due && record(b, ALIVE_NOTIFICATION, 0, 0)) {
        b->alive_due = false;
    }
}

static void put_alive(bb_board *b)
{
    uint8_t n, before = hal_hold();

    b->counters[BB_BAD] = (uint16_t)(b->counters[BB_BAD] + b->overruns); /* each lost byte counts as a bad line */
    b->overruns = 0;
    hal_release(before);
    for (n = 0; n < BB_COUNTERS; n++) {
        bb_put_hex4(b, b->counters[n]);
    }
    b->counters[BB_WORST] = 0;
    bb_put_hex4(b, hal_supply_mv(b));
    bb_put_hex2(b, (uint8_t)((b->dark ? 1 : 0) | (b->deadman_ms ? 2 : 0)));
}

/* " id=1": an input and a level or a value. */
static void put_code(bb_board *b)
{
    uint8_t code = ring_get(b);

    bb_put_id(b, code & 0x7Fu);
    bb_put(b, '=');
    bb_put(b, (code & 0x80u) ? '1' : '0');
}

/* The word of each kind, in the order of the kinds. */
static const char words[] BB_FLASH = "edge\0edge\0is\0is\0raw\0skip\0ghost\0alive\0dark\0lost";

bool bb_notification(bb_board *b)
{
    uint8_t count, kind, slot, n;
    uint16_t value;

    if (b->ring_used == 0) {
        return false;
    }
    count = ring_get(b);
    kind = count >> 4;
    count &= 15u;
    bb_open_notification(b);
    for (n = 0; n < 2; n++) {
        bb_put_digits(b, ring_get2(b), 4);
    }
    bb_put(b, ' ');
    bb_put_flash(b, bb_nth_text(words, kind));
    switch (kind) {
    case IS:
        while (count--) {
            put_code(b);
        }
        break;
    case EDGE:
        put_code(b);
        while (count--) {
            bb_put_hex4(b, ring_get2(b));
        }
        break;
    case GHOST:
        bb_put_id(b, ring_get(b));
        break;
    case ALIVE_NOTIFICATION:
        put_alive(b);
        break;
    case DARK_NOTIFICATION:
        bb_put_flash(b, ring_get(b) == DARK_LOCAL ? BB_TEXT(" local") : BB_TEXT(" deadman"));
        break;
    case LOST:
        bb_put_hex4(b, ring_get2(b));
        break;
    default:
        slot = ring_get(b);
        value = ring_get2(b);
        bb_put_id(b, slot);
        bb_put(b, '=');
        bb_put_digits(b, value, kind == PAIR ? 1 : kind == VALUE ? bb_value_width(slot) : 4);
        break;
    }
    bb_close(b);
    return true;
}

void bb_boot_notification(bb_board *b, bb_cause cause)
{
    static const char causes[] BB_FLASH = "power\0reset\0watchdog\0brownout\0unknown";

    bb_open_notification(b);
    bb_put_digits(b, (uint16_t)(b->now >> 16), 4);
    bb_put_digits(b, (uint16_t)b->now, 4);
    bb_put_flash(b, BB_TEXT(" boot"));
    bb_put_hex4(b, b->counters[BB_BOOT]);
    bb_put(b, ' ');
    bb_put_flash(b, bb_nth_text(causes, (uint8_t)cause));
    bb_put_hex2(b, 1);
    bb_close(b);
}
