/* Requests about channels by their ids: `read`, `set` and `raw` (line-protocol.md, section 4). */
#include <string.h>

#include "asking.h"

#define BODY_MOST (BB_LINE - 7u)
#define READ_HEAD 25u /* "<0D read 0003 0004B2C0 00" */

static void open_read(bb_board *b, uint8_t next)
{
    bb_open_result(b);
    bb_put_hex4(b, (uint16_t)(b->number - 1u));
    bb_put_hex8(b, hal_clock(b));
    bb_put_hex2(b, next);
}

static uint8_t setting_length(uint8_t slot)
{
    return (uint8_t)(2u + bb_id_length(slot) + bb_value_width(slot));
}

static uint8_t read_page(bb_board *b, uint8_t item)
{
    uint8_t slot = bb_slot_of_item(item), begin = slot, length = READ_HEAD;

    if (item >= b->items) {
        return NO_ITEM;
    }
    if (item < 4) {
        item = 4;
    }
    for (; slot < BB_SLOTS; slot++) {
        if (bb_text_of(slot) != 0) {
            length = (uint8_t)(length + setting_length(slot));
            if (length > BODY_MOST) {
                break;
            }
            item++;
        }
    }
    open_read(b, slot < BB_SLOTS ? item : 0);
    for (; begin < slot; begin++) {
        if (bb_text_of(begin) != 0) {
            bb_put_setting(b, begin);
        }
    }
    bb_close(b);
    return DONE;
}

uint8_t bb_do_read_all(bb_board *b)
{
    uint16_t from = 0;

    if (b->words > 2 || (b->words == 2 && !bb_hex(bb_argument_after(bb_first_argument(b)), 2, &from))) {
        return NO_FORM;
    }
    return read_page(b, (uint8_t)from);
}

static uint8_t set_one(bb_board *b, uint8_t slot, const char *value, bool really)
{
    uint8_t display = (uint8_t)(slot - BB_DISPLAY_SLOT), digit, width;
    uint16_t level;

    if (slot < BB_LAMP_SLOT) {
        return NO_ABILITY;
    }
    if (slot < BB_DISPLAY_SLOT) {
        if (!bb_hex(value, 3, &level)) {
            return NO_FORM;
        }
        if (level > 1000u) {
            return NO_RANGE;
        }
        if (really) {
            bb_set_lamp(b, (uint8_t)(slot - BB_LAMP_SLOT), level);
        }
        return NEXT;
    }
    width = bb_value_width(slot);
    if (strlen(value) != width) {
        return NO_FORM;
    }
    for (digit = 0; digit < width / 2u; digit++, value += 2) {
        if (!bb_hex_ahead(value, 2, &level)) {
            return NO_FORM;
        }
        if (really) {
            *bb_digit(b, display, digit) = (uint8_t)level;
            b->display_next = 1;
        }
    }
    return NEXT;
}

static void watch_input(bb_board *b, uint8_t input, uint8_t flags, bool on)
{
    uint8_t bit = bb_bit(input), before;
    bb_group *group = &b->group[input >> 3];

    if (flags & BB_RAW_PIN) {
        hal_watch(b, input, on);
        return;
    }
    before = hal_hold();
    group->raw |= bit;
    if (!on) {
        group->raw ^= bit;
    }
    hal_release(before);
}

static uint8_t raw_one(bb_board *b, uint8_t slot, const char *value, bool really)
{
    uint8_t flags = slot >= BB_POT_SLOT ? BB_RAW_SCAN : bb_flags_of(slot) & (BB_RAW_PIN | BB_RAW_SCAN);
    bool on = value[0] == '1';

    if ((!on && value[0] != '0') || value[1] != 0) {
        return NO_FORM;
    }
    if (flags == 0 || slot >= BB_LAMP_SLOT) {
        return NO_ABILITY;
    }
    if (!really) {
        return NEXT;
    }
    if (slot < BB_SELECTOR_SLOT) {
        watch_input(b, slot, flags, on);
        return NEXT;
    }
#if PANEL_ENCODERS
    if (slot < BB_POT_SLOT) {
        uint8_t e = (uint8_t)(slot - BB_ENCODER_SLOT);

        b->encoder[e].raw_ab = b->encoder[e].ab;
        watch_input(b, bb_flash_byte(&panel_encoders[e].a), flags, on);
        watch_input(b, bb_flash_byte(&panel_encoders[e].b), flags, on);
        return NEXT;
    }
#endif
#if PANEL_POTS
    b->pot[slot - BB_POT_SLOT].flags |= POT_RAW;
    if (!on) {
        b->pot[slot - BB_POT_SLOT].flags ^= POT_RAW;
    }
#endif
    return NEXT;
}

/* One argument of `read`, `set` or `raw`. All are checked first; only if all are good are they carried out. */
static uint8_t one_argument(bb_board *b, uint8_t word, char *argument, bool really)
{
    uint8_t slot = bb_find(argument);
    const char *value = argument;

    while (*value && *value != '=') {
        value++;
    }
    if ((*value == 0) != (word == ASK_READ) || value == argument) {
        return NO_FORM;
    }
    if (slot == BB_NONE) {
        return NO_CHANNEL;
    }
    if (word == ASK_SET) {
        return set_one(b, slot, value + 1, really);
    }
    if (word == ASK_RAW) {
        return raw_one(b, slot, value + 1, really);
    }
    if (really) {
        bb_put_setting(b, slot);
        return NEXT;
    }
    b->out_length = (uint8_t)(b->out_length + setting_length(slot));
    return b->out_length > BODY_MOST ? NO_FORM : NEXT;
}

uint8_t bb_do_each(bb_board *b, uint8_t word)
{
    uint8_t really, n;

    b->out_length = READ_HEAD; /* adds up the length of an answer to `read` */
    for (really = 0; really < 2; really++) {
        char *argument = bb_first_argument(b);

        if (really && word == ASK_READ) {
            open_read(b, 0);
        }
        for (n = b->words; n; n--) {
            uint8_t code = one_argument(b, word, argument, really);

            if (code) {
                return code;
            }
            argument = bb_argument_after(argument);
        }
        if (word == ASK_RAW && b->tag == 0 && argument - b->line > (int)BODY_MOST) {
            return NO_FORM; /* a request typed by hand may ask for more than an answer can hold */
        }
    }
    if (word == ASK_READ) {
        bb_close(b);
    } else if (word == ASK_RAW) {
        return SAME;
    } else {
#if PANEL_LAMP_BYTES
        hal_lamps(b);
#endif
        b->waiting = WAIT_OUTPUTS;
    }
    return DONE;
}
