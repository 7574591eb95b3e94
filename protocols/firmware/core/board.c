/* The board as a whole: its start, and one turn of the main loop. */
#include <string.h>

#include "inside.h"

#define BOARD_ITEMS 4u
#define MANY_NOTIFICATIONS 128u /* bytes of the notification ring: some twenty lines */
#define POT_MS 25u /* forty changes per second and potentiometer are enough for any hand; raw readings every second time */

void bb_begin(bb_board *b, bb_cause cause, void *hardware)
{
    uint8_t slot;

    memset(b, 0, sizeof *b);
    b->hardware = hardware;
    b->rx[BB_RECEIVE - 1u] = '\n';
    b->alive_ms = b->alive_left = 1000;
    b->second_left = 1000;
    b->pot_left = POT_MS;
    b->pot_turn = POT_MAY;
    b->items = BOARD_ITEMS;
    for (slot = 0; slot < BB_SLOTS; slot++) {
        if (bb_text_of(slot) != 0) {
            b->items++;
        }
    }
    bb_all_off(b);
    bb_inputs_begin(b);
    bb_store_begin(b);
    b->now = hal_clock(b);
    b->tick_at = b->now;
    bb_boot_notification(b, cause);
}

static void dark_by_itself(bb_board *b, uint8_t cause)
{
    bb_go_dark(b);
    b->own_dark = cause;
}

/* Counts a time in ms down; 0 is not running. Returns true when it is over, and restarts it with `again`. */
static bool over(uint16_t *left, uint16_t again)
{
    if (*left == 0 || --*left) {
        return false;
    }
    *left = again;
    return true;
}

static void each_millisecond(bb_board *b)
{
    if (over(&b->alive_left, b->alive_ms)) {
        b->alive_due = true;
    }
    if (over(&b->second_left, 1000) && PANEL_DISPLAY_CHIPS) {
        b->display_next = 1; /* write all again: the drivers lose their registers when the supply dips */
    }
    if (over(&b->wink_left_ms, 0)) {
        bb_wink_step(b);
    }
    if (over(&b->deadman_left, 0) && !b->dark) {
        dark_by_itself(b, DARK_DEADMAN);
    }
#if PANEL_POTS
    if (over(&b->pot_left, POT_MS)) {
        uint8_t p;

        b->pot_turn ^= POT_MAY ^ (POT_MAY | POT_RAW_MAY);
        for (p = 0; p < PANEL_POTS; p++) {
            b->pot[p].flags |= b->pot_turn;
        }
    }
#endif
}

static void keep_time(bb_board *b)
{
    uint32_t now = hal_clock(b), turn = now - b->now;
    uint16_t *counters = b->counters, worst = (uint16_t)turn;

    if (now < b->now) {
        counters[BB_WRAPS]++;
    }
    if (turn >> 16) {
        worst = 0xFFFFu;
    }
    if (worst > counters[BB_WORST]) {
        counters[BB_WORST] = worst;
    }
    b->now = now;
    while (now - b->tick_at >= 1000u) {
        b->tick_at += 1000u;
        each_millisecond(b);
    }
}

/* Sends at most one line per turn: a waiting answer, else the answer to the next request, else a notification. When many
 * notifications wait they take turns with answers, so that a host that asks without a pause does not make the ring overflow. */
static bool speak(bb_board *b)
{
    if (!bb_can_send(b)) {
        return false;
    }
    b->notification_turn = !b->notification_turn && b->ring_used > MANY_NOTIFICATIONS && b->waiting != WAIT_IDLE;
    if (b->notification_turn) {
        return bb_notification(b);
    }
    if (b->waiting == WAIT_NOTHING) {
        if (bb_take_line(b)) {
            bb_answer(b);
            return true; /* if the answer has to wait, a later turn sends it */
        }
        if (b->rx_tail == b->rx_head && b->in_length == 0) {
            b->early_dark = 0; /* everything received has been answered */
        }
    } else if (bb_finish(b)) {
        return true;
    } else if (b->waiting == WAIT_IDLE) {
        return false; /* the line must fall silent first */
    }
    return bb_notification(b);
}

bool bb_poll(bb_board *b)
{
    bool did;

    keep_time(b);
    bb_listen(b);
    if (b->local_dark && !b->dark) {
        dark_by_itself(b, DARK_LOCAL);
    }
    bb_gather(b);
    did = bb_display_step(b);
    return speak(b) || did;
}
