/* The board as a whole: beginning, and one turn of the main loop. */
#include <string.h>

#include "inside.h"

#define BOARD_ITEMS 4u

void bb_begin(bb_board *b, bb_cause cause, void *hardware)
{
    uint8_t slot;

    memset(b, 0, sizeof *b);
    b->hardware = hardware;
    b->rx_after_end = true;
    b->alive_ms = 1000;
    b->items = BOARD_ITEMS;
    for (slot = 0; slot < BB_SLOTS; slot++) {
        if (bb_text_of(slot) != 0) {
            b->items++;
        }
    }
    bb_outputs_begin(b);
    bb_inputs_begin(b);
    bb_store_begin(b);
    b->now = hal_clock(b);
    b->alive_at = b->now + 1000000u;
    b->second_at = b->now;
    bb_boot_news(b, cause);
}

static void keep_time(bb_board *b)
{
    uint32_t now = hal_clock(b), turn = now - b->now;

    if (now < b->now) {
        b->wraps++;
    }
    if (turn > b->worst_us) {
        b->worst_us = turn > 0xFFFFu ? 0xFFFFu : (uint16_t)turn;
    }
    b->now = now;
}

static void dark_by_itself(bb_board *b, uint8_t cause)
{
    bb_go_dark(b);
    b->dark_cause = cause;
    b->own_dark = true;
}

static void guard(bb_board *b)
{
    if (b->dark) {
        return;
    }
    if (b->local_dark) {
        dark_by_itself(b, DARK_LOCAL);
    } else if (b->deadman_ms && b->now - b->fed_at >= b->deadman_ms * 1000ul) {
        dark_by_itself(b, DARK_DEADMAN);
    }
}

/* At most one line a turn: what an answer waits for, then the next request, then news. */
static bool speak(bb_board *b)
{
    if (!bb_can_send(b)) {
        return false;
    }
    if (b->waiting != WAIT_NOTHING) {
        if (bb_finish(b)) {
            return true;
        }
        if (b->waiting == WAIT_IDLE) {
            return false; /* the line must fall silent first */
        }
        return bb_news(b);
    }
    if (bb_take_line(b)) {
        bb_answer(b);
        if (b->waiting != WAIT_NOTHING) {
            bb_finish(b);
        }
        return true;
    }
    if (b->rx_tail == b->rx_head && b->in_length == 0) {
        b->early_dark = 0; /* all that came has been answered */
    }
    return bb_news(b);
}

bool bb_poll(bb_board *b)
{
    bool did;

    keep_time(b);
    bb_listen(b);
    guard(b);
    bb_gather(b);
    did = bb_wink_step(b);
    did |= bb_display_step(b);
    did |= speak(b);
    return did;
}
