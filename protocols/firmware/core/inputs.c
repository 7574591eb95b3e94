/* Inputs: one scan, from levels to events. Runs in the timer interrupt, so the usual case (nothing moves) is short. */
#include "inside.h"

#define FIRST_SCANS 16u /* after a reset: time for pull-ups, shift registers and every matrix row to be seen */

/* The scans in a time in ms, rounded up; BB_SCAN_US is a multiple of 100. */
#define SCANS(ms) ((uint8_t)(((ms) * 10u + BB_SCAN_US / 100u - 1u) / (BB_SCAN_US / 100u)))

#if BB_SCAN_US % 100 || BB_SCAN_US < 400 || BB_SCAN_US > 2000
#error "BB_SCAN_US must be 400 to 2000, in hundreds"
#endif

void bb_inputs_begin(bb_board *b)
{
    uint8_t input;

    for (input = 0; input < 8u * PANEL_INPUT_BYTES; input++) {
        uint8_t flags = bb_flags_of(input), bit = bb_bit(input);
        bb_group *group = &b->group[input >> 3];

        if (bb_text_of(input)) {
            group->told |= bit;
            flags |= BB_PART;
        }
        if (flags & BB_PART) {
            group->used |= bit;
        }
        if (flags & BB_LOW) {
            group->low |= bit;
        }
        if (flags & BB_FIRST) {
            group->first |= bit;
        }
    }
#if PANEL_MATRIX_ROWS && !PANEL_MATRIX_DIODES
    /* Rows are read one after the other, so only a contact that has settled can be distinguished from a ghost. */
    for (input = 0; input < PANEL_MATRIX_ROWS; input++) {
        b->group[PANEL_MATRIX_GROUP + input].first = 0;
    }
#endif
    b->settling = FIRST_SCANS;
}

#if PANEL_MATRIX_ROWS && !PANEL_MATRIX_DIODES

/* Without diodes two rows that share two columns make a rectangle: any one of its four contacts may be a ghost. */
static void look_for_ghosts(bb_board *b, const uint8_t *levels)
{
    uint8_t row, other, made[PANEL_MATRIX_ROWS];

    for (row = 0; row < PANEL_MATRIX_ROWS; row++) {
        const bb_group *group = &b->group[PANEL_MATRIX_GROUP + row];

        made[row] = (levels[PANEL_MATRIX_GROUP + row] ^ group->low) & group->used;
        b->maybe_ghost[row] = 0;
        b->ghost[row] &= made[row];
    }
    for (row = 1; row < PANEL_MATRIX_ROWS; row++) {
        for (other = 0; made[row] && other < row; other++) {
            uint8_t common = made[row] & made[other];

            if (common & (uint8_t)(common - 1u)) {
                b->maybe_ghost[row] |= common;
                b->maybe_ghost[other] |= common;
            }
        }
    }
}

/* A contact that reads made and would be reported as made, but may be a ghost, is reported as a ghost, once. */
static bool is_ghost(bb_board *b, uint8_t number, uint8_t bit, uint8_t input, uint16_t at)
{
    uint8_t row = (uint8_t)(number - PANEL_MATRIX_GROUP);
    const bb_group *group = &b->group[number];

    if (row >= PANEL_MATRIX_ROWS || !(b->maybe_ghost[row] & bit) || (group->made & bit)) {
        return false;
    }
    if (!(b->ghost[row] & bit)) {
        b->ghost[row] |= bit;
        if (group->told & bit) {
            bb_event_put(b, EV_GHOST, input, at);
        }
    }
    return true;
}

#else
#define is_ghost(b, number, bit, input, at) ((void)(b), (void)(number), (void)(at), false)
#endif

/* Debounce one group in which a level differs or a timer runs. */
static void debounce(bb_board *b, uint8_t number, uint8_t differs, uint16_t at)
{
    bb_group *group = &b->group[number];
    uint8_t busy = differs | group->running, running = group->running, accepted = 0;
    uint8_t input = (uint8_t)(number << 3), bit = 1;
    uint8_t *timer = group->timer;

    for (; busy; busy >>= 1, bit = (uint8_t)(bit << 1), input++, timer++) {
        if (!(busy & 1u)) {
            continue;
        }
        if (running & bit) {
            if (group->first & bit) { /* held off */
                if (--*timer == 0) {
                    running ^= bit;
                }
                continue;
            }
            if (differs & bit) {
                if (*timer > 1u) {
                    --*timer;
                    continue;
                }
                if (is_ghost(b, number, bit, input, at)) {
                    continue;
                }
                accepted |= bit;
            }
            running ^= bit; /* settled, or back before it settled */
            continue;
        }
        running |= bit;
        *timer = SCANS(bb_detail_of(input) & 0xFFu);
        if (group->first & bit) {
            accepted |= bit;
        }
    }
    group->running = running;
    group->made ^= accepted;
    group->change = accepted;
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

/* The changes of one scan go into the queue together or not at all, so that losses can be counted in lines. */
static void tell_contacts(bb_board *b, uint8_t count, uint16_t at)
{
    uint8_t number, input = 0;

    if ((uint8_t)(b->ev_head - b->ev_tail) + count > (int)BB_EVENTS) {
        for (; count; count = count > BB_MOST_CONTACTS ? (uint8_t)(count - BB_MOST_CONTACTS) : 0) {
            b->ev_lost++; /* only interrupts that cannot interrupt each other count here, and bb_poll cannot run meanwhile */
        }
        return;
    }
    for (number = 0; number < PANEL_INPUT_BYTES; number++) {
        const bb_group *group = &b->group[number];
        uint8_t changed = group->change & group->told, made = group->made, n = input;

        for (; changed; n++, changed >>= 1, made >>= 1) {
            if (changed & 1u) {
                bb_event_put(b, EV_CONTACT, (uint8_t)(n | (uint8_t)(made << 7)), at);
            }
        }
        input = (uint8_t)(input + 8u);
    }
}

#if PANEL_SELECTORS

static uint8_t position_of(bb_board *b, uint8_t s)
{
    const bb_selector *selector = &panel_selectors[s];
    const uint16_t *codes = (const uint16_t *)bb_flash_pointer(&selector->codes);
    uint8_t input = bb_flash_byte(&selector->first), left = bb_flash_byte(&selector->inputs), position;
    uint16_t pattern = 0, place = 1;

    for (; left; left--, input++, place = (uint16_t)(place << 1)) {
        if (b->group[input >> 3].made & bb_bit(input)) {
            pattern |= place;
        }
    }
    for (position = 0; position < (uint8_t)bb_detail_of((uint8_t)(BB_SELECTOR_SLOT + s)); position++) {
        if (bb_flash_word(&codes[position]) == pattern) {
            return position;
        }
    }
    return (uint8_t)*bb_value_of(b, (uint8_t)(BB_SELECTOR_SLOT + s)); /* between two positions: unchanged */
}

static void look_at_selectors(bb_board *b, uint16_t at, bool tell)
{
    uint8_t s;

    for (s = 0; s < PANEL_SELECTORS; s++) {
        uint8_t position = position_of(b, s);
        uint16_t *known = bb_value_of(b, (uint8_t)(BB_SELECTOR_SLOT + s));

        if (position != *known) {
            *known = position;
            if (tell) {
                bb_event_put(b, EV_SELECTOR, (uint8_t)(s << 4 | position), at);
            }
        }
    }
}

#endif

#if PANEL_ENCODERS

static bool level_of(const bb_board *b, uint8_t input)
{
    return b->group[input >> 3].level & bb_bit(input);
}

static void look_at_encoders(bb_board *b, bool tell)
{
    /* Step by old and new levels A B; 2 is a jump over one state, whose direction is unknown. */
    static const int8_t steps[16] BB_FLASH = {0, -1, 1, 2, 1, 0, 2, -1, -1, 2, 0, 1, 2, 1, -1, 0};
    uint8_t e;

    for (e = 0; e < PANEL_ENCODERS; e++) {
        bb_encoder_state *encoder = &b->encoder[e];
        uint8_t ab = 0, before = encoder->ab;
        int8_t step;

        if (level_of(b, bb_flash_byte(&panel_encoders[e].a))) {
            ab |= 2u;
        }
        if (level_of(b, bb_flash_byte(&panel_encoders[e].b))) {
            ab |= 1u;
        }
        if (ab == before) {
            continue;
        }
        encoder->ab = ab;
        step = tell ? (int8_t)bb_flash_byte(&steps[before << 2 | ab]) : 0;
        if (step == 2) {
            encoder->skips++;
        } else {
            uint16_t *count = bb_value_of(b, (uint8_t)(BB_ENCODER_SLOT + e));

            *count = (uint16_t)(step < 0 ? *count - (uint8_t)-step : *count + (uint8_t)step);
        }
    }
}

#endif

static void look_at_dark_switch(bb_board *b)
{
#if PANEL_DARK_INPUT != 0xFF
    b->local_dark = (b->group[PANEL_DARK_INPUT >> 3].made & bb_bit(PANEL_DARK_INPUT)) != 0;
#else
    (void)b;
#endif
}

void bb_scan(bb_board *b, uint32_t now, const uint8_t *levels)
{
    uint8_t number, changes = 0, count = 0;
    bool tell = b->settling == 0;

#if PANEL_MATRIX_ROWS && !PANEL_MATRIX_DIODES
    look_for_ghosts(b, levels);
#endif
    for (number = 0; number < PANEL_INPUT_BYTES; number++) {
        bb_group *group = &b->group[number];
        uint8_t level = levels[number];
        uint8_t edges = (level ^ group->level) & group->raw;
        uint8_t differs = ((level ^ group->low) & group->used) ^ group->made;

        group->level = level;
        group->change = 0;
        if (!tell) { /* right after a reset: taken over, not reported */
            group->made ^= differs;
            changes = 1;
            continue;
        }
        if (edges) {
            uint8_t input = (uint8_t)(number << 3);

            for (; edges; edges >>= 1, level >>= 1, input++) {
                if (edges & 1u) {
                    bb_edge(b, input, level & 1u, (uint16_t)now);
                }
            }
        }
        if (differs | group->running) {
            debounce(b, number, differs, (uint16_t)now);
            changes |= group->change;
            count = (uint8_t)(count + count_bits(group->change & group->told));
        }
    }
    if (count) {
        tell_contacts(b, count, (uint16_t)now);
    }
    if (changes) {
#if PANEL_SELECTORS
        look_at_selectors(b, (uint16_t)now, tell);
#endif
        look_at_dark_switch(b);
    }
#if PANEL_ENCODERS
    look_at_encoders(b, tell);
#endif
    if (!tell) {
        b->settling--;
    }
}

void bb_reading(bb_board *b, uint8_t pot, uint16_t reading)
{
#if PANEL_POTS
    bb_pot_state *state = &b->pot[pot];

    state->last = reading;
    if (!(state->flags & POT_KNOWN)) {
        state->flags |= POT_KNOWN;
        state->sum = (uint16_t)(reading << 3);
    } else {
        /* A low pass over eight readings that keeps its remainder, so that it reaches its final value, ends included. */
        state->sum = (uint16_t)(state->sum + reading - (state->sum >> 3));
    }
#else
    (void)b;
    (void)pot;
    (void)reading;
#endif
}
