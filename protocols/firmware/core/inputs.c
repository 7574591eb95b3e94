/* Inputs: what one scan makes of the levels. Runs in the timer interrupt, so the usual case (nothing moves) is short. */
#include "inside.h"

#define FIRST_SCANS 16u /* after a reset: time for pull-ups, shift registers and every matrix row to be seen */

/* Contacts that change together and fit one line; the same as in news.c, to count what is lost line by line. */
#define MOST_CONTACTS (56u / (PANEL_LONGEST_ID + 3u))

void bb_inputs_begin(bb_board *b)
{
    uint8_t input;

    for (input = 0; input < 8u * PANEL_INPUT_BYTES; input++) {
        const bb_contact *contact = &panel_contacts[input];
        uint8_t flags = bb_flash_byte(&contact->flags);
        uint8_t group = input >> 3, bit = bb_bit(input);
        bool told = bb_flash_pointer(&contact->text) != 0;

        if (told) {
            b->told[group] |= bit;
        }
        if (told || (flags & BB_PART)) {
            b->used[group] |= bit;
        }
        if (flags & BB_LOW) {
            b->low[group] |= bit;
        }
        if (flags & BB_FIRST) {
            b->first[group] |= bit;
        }
    }
#if PANEL_MATRIX_ROWS && !PANEL_MATRIX_DIODES
    /* Rows are read one after the other: only what has stood still can be told from a phantom. */
    for (input = 0; input < PANEL_MATRIX_ROWS; input++) {
        b->first[PANEL_MATRIX_GROUP + input] = 0;
    }
#endif
    b->settling = FIRST_SCANS;
}

#if PANEL_MATRIX_ROWS && !PANEL_MATRIX_DIODES

/* Without diodes two rows that share two columns make a rectangle: any one of its four contacts may be a phantom. */
static void look_for_phantoms(bb_board *b, const uint8_t *levels)
{
    uint8_t row, other, group = PANEL_MATRIX_GROUP;
    uint8_t made[PANEL_MATRIX_ROWS];

    for (row = 0; row < PANEL_MATRIX_ROWS; row++) {
        made[row] = (levels[group + row] ^ b->low[group + row]) & b->used[group + row];
        b->phantom[row] = 0;
    }
    for (row = 1; row < PANEL_MATRIX_ROWS; row++) {
        for (other = 0; made[row] && other < row; other++) {
            uint8_t common = made[row] & made[other];

            if (common & (uint8_t)(common - 1u)) {
                b->phantom[row] |= common;
                b->phantom[other] |= common;
            }
        }
    }
}

static bool is_phantom(bb_board *b, uint8_t input, uint32_t now)
{
    uint8_t row = (uint8_t)((input >> 3) - PANEL_MATRIX_GROUP), bit = bb_bit(input);

    if ((input >> 3) < PANEL_MATRIX_GROUP || row >= PANEL_MATRIX_ROWS || !(b->phantom[row] & bit)
        || (b->made[input >> 3] & bit)) {
        return false;
    }
    if (!(b->ghost[row] & bit)) {
        b->ghost[row] |= bit;
        if (b->told[input >> 3] & bit) {
            bb_event_put(b, EV_GHOST, input, (uint16_t)now);
        }
    }
    return true;
}

#endif

/* One group in which something differs or a timer runs; returns what is accepted as changed. */
static uint8_t debounce(bb_board *b, uint8_t group, uint8_t want, uint32_t now)
{
    uint8_t differs = want ^ b->made[group];
    uint8_t running = b->running[group], first = b->first[group], accepted = 0;
    uint8_t busy = differs | running, input = (uint8_t)(group << 3), bit = 1;

    for (; bit; bit = (uint8_t)(bit << 1), input++) {
        uint16_t *timer = &b->timer[input];

        if (!(busy & bit)) {
            continue;
        }
        if (first & bit) {
            if (running & bit) { /* hold off */
                if (--*timer == 0) {
                    running &= (uint8_t)~bit;
                }
                continue;
            }
            accepted |= bit;
            running |= bit;
            *timer = bb_flash_word(&panel_contacts[input].scans);
        } else if (!(differs & bit)) { /* back before it settled */
            running &= (uint8_t)~bit;
        } else if (!(running & bit)) {
            running |= bit;
            *timer = bb_flash_word(&panel_contacts[input].scans);
        } else if (*timer > 1u) {
            --*timer;
        } else {
#if PANEL_MATRIX_ROWS && !PANEL_MATRIX_DIODES
            if (is_phantom(b, input, now)) {
                continue;
            }
#endif
            accepted |= bit;
            running &= (uint8_t)~bit;
        }
    }
    b->running[group] = running;
    (void)now;
    return accepted;
}

static uint8_t count_bits(uint8_t bits)
{
    uint8_t n = 0;

    while (bits) {
        bits &= (uint8_t)(bits - 1u);
        n++;
    }
    return n;
}

/* The changes of one scan go into the queue together or not at all, so that what is lost can be counted in lines. */
static void tell_contacts(bb_board *b, uint8_t count, uint16_t at)
{
    uint8_t before = hal_hold();
    uint8_t head = b->ev_head, group;

    if ((uint8_t)(head - b->ev_tail) + count > BB_EVENTS) {
        b->ev_lost = (uint16_t)(b->ev_lost + (count + MOST_CONTACTS - 1u) / MOST_CONTACTS);
        hal_release(before);
        return;
    }
    b->ev_head = (uint8_t)(head + count); /* a pin interrupt in between goes behind; bb_poll waits for us */
    hal_release(before);
    for (group = 0; group < PANEL_INPUT_BYTES; group++) {
        uint8_t changed = b->change[group] & b->told[group], input = (uint8_t)(group << 3);

        for (; changed; changed >>= 1, input++) {
            if (changed & 1u) {
                bb_event *event = &b->event[head % BB_EVENTS];

                event->at = at;
                event->kind = EV_CONTACT;
                event->code = (uint8_t)(input | ((b->made[group] & bb_bit(input)) ? 0x80u : 0u));
                head++;
            }
        }
    }
}

#if PANEL_SELECTORS

static uint8_t position_of(const bb_board *b, uint8_t s)
{
    const bb_selector *selector = &panel_selectors[s];
    const uint16_t *codes = (const uint16_t *)bb_flash_pointer(&selector->codes);
    uint8_t input = bb_flash_byte(&selector->first), left = bb_flash_byte(&selector->inputs), position;
    uint16_t pattern = 0, place = 1;

    for (; left; left--, input++, place = (uint16_t)(place << 1)) {
        if (b->made[input >> 3] & bb_bit(input)) {
            pattern |= place;
        }
    }
    for (position = 0; position < bb_flash_byte(&selector->positions); position++) {
        if (bb_flash_word(&codes[position]) == pattern) {
            return position;
        }
    }
    return b->position[s]; /* on its way between two */
}

static void look_at_selectors(bb_board *b, uint16_t at, bool tell)
{
    uint8_t s;

    for (s = 0; s < PANEL_SELECTORS; s++) {
        uint8_t position = position_of(b, s);

        if (position != b->position[s]) {
            b->position[s] = position;
            if (tell) {
                bb_event_put(b, EV_SELECTOR, (uint8_t)(s << 4 | position), at);
            }
        }
    }
}

#endif

#if PANEL_ENCODERS

static uint8_t encoder_levels(const bb_board *b, uint8_t e)
{
    uint8_t a = bb_flash_byte(&panel_encoders[e].a), other = bb_flash_byte(&panel_encoders[e].b);

    return (uint8_t)(((b->level[a >> 3] & bb_bit(a)) ? 2 : 0) | ((b->level[other >> 3] & bb_bit(other)) ? 1 : 0));
}

static void look_at_encoders(bb_board *b)
{
    /* By old and new levels A B; 2 is a jump over one state, of which nobody can say which way it went. */
    static const int8_t steps[16] BB_FLASH = {0, 1, -1, 2, -1, 0, 2, 1, 1, 2, 0, -1, 2, -1, 1, 0};
    uint8_t e;

    for (e = 0; e < PANEL_ENCODERS; e++) {
        uint8_t ab = encoder_levels(b, e), before = b->encoder_ab[e];
        int8_t step;

        if (ab == before) {
            continue;
        }
        b->encoder_ab[e] = ab;
        step = (int8_t)bb_flash_byte(&steps[before << 2 | ab]);
        if (step == 2) {
            b->encoder_skips[e]++;
        } else {
            b->encoder_count[e] = (int16_t)((uint16_t)b->encoder_count[e] + (uint16_t)(int16_t)step);
        }
    }
}

#endif

static void look_at_dark_switch(bb_board *b)
{
#if PANEL_DARK_INPUT != 0xFF
    b->local_dark = (b->made[PANEL_DARK_INPUT >> 3] & bb_bit(PANEL_DARK_INPUT)) != 0;
#else
    (void)b;
#endif
}

static void take_over(bb_board *b, const uint8_t *levels)
{
    uint8_t group;

    for (group = 0; group < PANEL_INPUT_BYTES; group++) {
        b->level[group] = levels[group];
        b->made[group] = (levels[group] ^ b->low[group]) & b->used[group];
    }
    look_at_dark_switch(b);
#if PANEL_SELECTORS
    look_at_selectors(b, 0, false);
#endif
#if PANEL_ENCODERS
    for (group = 0; group < PANEL_ENCODERS; group++) {
        b->encoder_ab[group] = encoder_levels(b, group);
    }
#endif
}

void bb_scan(bb_board *b, uint32_t now, const uint8_t *levels)
{
    uint8_t group, changes = 0, count = 0;

    if (b->settling) {
        b->settling--;
        take_over(b, levels);
        return;
    }
#if PANEL_MATRIX_ROWS && !PANEL_MATRIX_DIODES
    look_for_phantoms(b, levels);
#endif
    for (group = 0; group < PANEL_INPUT_BYTES; group++) {
        uint8_t level = levels[group], want;
        uint8_t edges = (level ^ b->level[group]) & b->raw_scan[group];

        b->level[group] = level;
        if (edges) {
            uint8_t bit, input = (uint8_t)(group << 3);

            for (bit = 1; bit; bit = (uint8_t)(bit << 1), input++) {
                if (edges & bit) {
                    bb_edge(b, input, (level & bit) != 0, (uint16_t)now);
                }
            }
        }
        want = (level ^ b->low[group]) & b->used[group];
#if PANEL_MATRIX_ROWS && !PANEL_MATRIX_DIODES
        if (group >= PANEL_MATRIX_GROUP && group < PANEL_MATRIX_GROUP + PANEL_MATRIX_ROWS) {
            b->ghost[group - PANEL_MATRIX_GROUP] &= want;
        }
#endif
        if ((uint8_t)(want ^ b->made[group]) | b->running[group]) {
            uint8_t accepted = debounce(b, group, want, now);

            b->made[group] ^= accepted;
            b->change[group] = accepted;
            changes |= accepted;
            count = (uint8_t)(count + count_bits(accepted & b->told[group]));
        } else {
            b->change[group] = 0;
        }
    }
    if (count) {
        tell_contacts(b, count, (uint16_t)now);
    }
    if (changes) {
#if PANEL_SELECTORS
        look_at_selectors(b, (uint16_t)now, true);
#endif
        look_at_dark_switch(b);
    }
#if PANEL_ENCODERS
    look_at_encoders(b);
#endif
}

void bb_reading(bb_board *b, uint8_t pot, uint16_t reading)
{
#if PANEL_POTS
    uint8_t bit = bb_bit(pot);

    b->pot_last[pot] = reading;
    if (!(b->pot_known & bit)) {
        b->pot_known |= bit;
        b->pot_sum[pot] = (uint16_t)(reading << 3);
    } else {
        /* A low pass over eight readings whose rest is kept, so that it reaches what it approaches, ends included. */
        b->pot_sum[pot] = (uint16_t)(b->pot_sum[pot] + reading - (b->pot_sum[pot] >> 3));
    }
#else
    (void)b;
    (void)pot;
    (void)reading;
#endif
}
