/* The parts that the hand moves, and moves that take time. */
#include <stdlib.h>
#include <string.h>

#include "hand.h"

#define COUNT_US 4000u      /* an encoder, a count */
#define SWEEP_US 10000u     /* a potentiometer, one of eight steps */
#define SWEEP_STEPS 8
#define BREAK_US 8000u      /* a selector between two positions */
#define POSITION_US 30000u  /* a selector at a position in passing */

void hand_contact(native *n, uint8_t input, bool made)
{
    host_pin(&n->board, input, made != ((bb_flags_of(input) & BB_LOW) != 0));
}

#if PANEL_SELECTORS

static void selector_at(native *n, uint8_t s, int position)
{
    uint8_t i;
    uint16_t code = position < 0 ? 0 : panel_selectors[s].codes[position];

    for (i = 0; i < panel_selectors[s].inputs; i++) {
        hand_contact(n, (uint8_t)(panel_selectors[s].first + i), code >> i & 1u);
    }
}

#endif
#if PANEL_SELECTORS

static bool selector_step(native *n, native_hand *h)
{
    uint8_t s = (uint8_t)(h->slot - BB_SELECTOR_SLOT);

    if (n->place[s] == 255) {
        n->place[s] = (uint8_t)h->position;
        selector_at(n, s, h->position);
        h->next_us += POSITION_US;
        return true;
    }
    if (h->position == h->goal) {
        return false;
    }
    h->position += h->goal > h->position ? 1 : -1;
    n->place[s] = 255;
    selector_at(n, s, -1);
    h->next_us += BREAK_US;
    return true;
}

#endif

#if PANEL_ENCODERS

static bool encoder_step(native *n, native_hand *h)
{
    static const uint8_t order[4] = {0, 2, 3, 1};
    uint8_t e = (uint8_t)(h->slot - BB_ENCODER_SLOT), ab;
    int way = h->goal > h->position ? 1 : -1;

    if (h->position == h->goal) {
        return false;
    }
    n->phase[e] = (uint8_t)((n->phase[e] + way) & 3);
    ab = order[n->phase[e]];
    host_pin(&n->board, panel_encoders[e].a, ab >> 1);
    host_pin(&n->board, panel_encoders[e].b, ab & 1u);
    h->position += way;
    h->next_us += COUNT_US;
    return true;
}

#endif

#if PANEL_POTS

static bool pot_step(native *n, native_hand *h)
{
    uint16_t *pot = &n->hw.pot[h->slot - BB_POT_SLOT];

    if (h->position == 0) {
        return false;
    }
    *pot = (uint16_t)(*pot + (h->goal - *pot) / h->position);
    h->position--;
    h->next_us += SWEEP_US;
    return true;
}

#endif

/* Make one step of a move. Returns false when the part has arrived. */
static bool step(native *n, native_hand *h)
{
#if PANEL_SELECTORS
    if (h->slot < BB_ENCODER_SLOT) {
        return selector_step(n, h);
    }
#endif
#if PANEL_ENCODERS
    if (h->slot < BB_POT_SLOT) {
        return encoder_step(n, h);
    }
#endif
#if PANEL_POTS
    return pot_step(n, h);
#else
    (void)n;
    (void)h;
    return false;
#endif
}

void hand_rest(native *n)
{
    uint8_t i;

    n->board.hardware = &n->hw; /* bb_begin comes later */
#if PANEL_ENCODERS
    for (i = 0; i != PANEL_ENCODERS; i++) {
        /* At rest both inputs of an encoder are low unless its contacts close to ground. */
        n->phase[i] = n->hw.levels[panel_encoders[i].a >> 3] & (1u << (panel_encoders[i].a & 7u)) ? 2 : 0;
    }
#endif
#if PANEL_SELECTORS
    for (i = 0; i != PANEL_SELECTORS; i++) {
        selector_at(n, i, 0);
    }
#endif
    (void)i;
}

void hand_move(native *n, uint64_t now_us)
{
    int i;

    for (i = 0; i < HANDS; i++) {
        native_hand *h = &n->hands[i];

        while (h->fd >= 0 && h->moving && now_us >= h->next_us) {
            if (!step(n, h)) {
                h->moving = false;
                hand_answer(h, "ok");
            }
        }
    }
}

#if PANEL_SELECTORS || PANEL_ENCODERS || PANEL_POTS

static void begin_move(native *n, native_hand *h, uint8_t slot, int32_t position, int32_t goal)
{
    if (!n->plugged) {
        hand_answer(h, "no the board is unplugged");
        return;
    }
    h->slot = slot;
    h->position = position;
    h->goal = goal;
    h->next_us = (host_now_ns() - n->hw.reset_ns) / 1000u;
    h->moving = true;
}

#endif

void hand_put(native *n, native_hand *h, uint8_t slot, const char *word)
{
    char *end;
    long value = word ? strtol(word, &end, 10) : 0;
    bool share = word && end != word && (!strcmp(end, "%") || !strcmp(end, "%25")); /* the sign, as is or escaped */

    if (!word || end == word || (*end && !share)) {
        hand_answer(h, "no where to? a number is missing");
    } else if (slot >= BB_SELECTOR_SLOT && slot < BB_ENCODER_SLOT) {
#if PANEL_SELECTORS
        uint8_t s = (uint8_t)(slot - BB_SELECTOR_SLOT);

        if (share || value < 0 || value >= bb_detail_of((uint8_t)(BB_SELECTOR_SLOT + s))) {
            hand_answer(h, "no such position");
        } else {
            begin_move(n, h, slot, n->place[s] == 255 ? 0 : n->place[s], (int32_t)value);
        }
#endif
    } else if (slot >= BB_POT_SLOT && slot < BB_LAMP_SLOT) {
#if PANEL_POTS
        long top = bb_detail_of(slot);

        value = share ? value * top / 100 : value;
        if (value < 0 || value > top) {
            hand_answer(h, "no it turns from 0 to %ld", top);
        } else {
            begin_move(n, h, slot, SWEEP_STEPS, (int32_t)value);
        }
#endif
    } else if (slot < BB_SELECTOR_SLOT && !share && (value == 0 || value == 1)) {
        hand_contact(n, slot, value == 1);
        hand_answer(h, "ok");
    } else {
        hand_answer(h, "no that part has no such position");
    }
}

void hand_turn(native *n, native_hand *h, uint8_t slot, const char *word)
{
#if PANEL_ENCODERS
    char *end;
    long detents = word ? strtol(word, &end, 10) : 0;

    if (slot >= BB_ENCODER_SLOT && slot < BB_POT_SLOT && word && *word && !*end && detents >= -1000 && detents <= 1000) {
        begin_move(n, h, slot, 0, (int32_t)(detents * (bb_detail_of(slot) & 0xFF)));
        return;
    }
#else
    (void)n;
    (void)slot;
    (void)word;
#endif
    hand_answer(h, "no only an encoder turns, by -1000 to 1000 detents");
}
