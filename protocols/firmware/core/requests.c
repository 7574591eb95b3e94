/* Every word of the protocol: what a request does and what is answered (line-protocol.md, section 4). */
#include <string.h>

#include "inside.h"

/* What acting upon a request came to: a refusal's code, or one of these. */
enum {
    NO_WORD = 1,
    NO_FORM = 2,
    NO_CHANNEL = 3,
    NO_ABILITY = 4,
    NO_RANGE = 5,
    NO_DARK = 6,
    NO_BUSY = 7,
    NO_ITEM = 9,
    DONE = 0x10, /* answered, or b->waiting is set */
    SAME = 0x11, /* to be answered by its own words */
    NEXT = 0     /* this word of it was good: on to the next */
};

/* By code; 08 is never used here. */
static const char refusals[] BB_FLASH = "\0unknown word\0wrong form\0no such channel\0cannot do that\0out of range\0"
                                        "dark is on\0busy\0\0no such item";

enum { HELLO, ITEM, READ, SET, DARK, LIGHT, DEADMAN, PING, ALIVE, RAW, IDENT, NAME, WINK, WORDS };

static const char word_table[] BB_FLASH
    = "hello\0item\0read\0set\0dark\0light\0deadman\0ping\0alive\0raw\0ident\0name\0wink\0";

/* Number of arguments (15: one or more), and how many hex digits each has (0: not a number). */
#define FORM(arguments, digits) ((digits) << 4 | (arguments))
#define SEVERAL 15u
static const uint8_t forms[WORDS] BB_FLASH = {
    [HELLO] = FORM(0, 0),   [ITEM] = FORM(1, 2), [READ] = FORM(SEVERAL, 0), [SET] = FORM(SEVERAL, 0), [DARK] = FORM(0, 0),
    [LIGHT] = FORM(0, 0),   [DEADMAN] = FORM(1, 4), [PING] = FORM(2, 8),    [ALIVE] = FORM(1, 4),     [RAW] = FORM(SEVERAL, 0),
    [IDENT] = FORM(1, 0),   [NAME] = FORM(1, 0), [WINK] = FORM(0, 0),
};

#define BODY_MOST (BB_LINE - 7u)
#define READ_HEAD 25u /* "<0D read 0003 0004B2C0 00" */

static char *word_of(bb_board *b)
{
    return b->line + (b->tag ? 4 : 3);
}

static char *first_argument(bb_board *b)
{
    return b->line + b->arguments;
}

static char *argument_after(char *argument)
{
    while (*argument++) {
    }
    return argument;
}

static uint8_t word_number(bb_board *b)
{
    const char *table = word_table;
    uint8_t n;

    for (n = 0; n < WORDS; n++) {
        const char *end = bb_same(table, word_of(b));

        if (end && *end == 0) {
            break;
        }
        table = bb_skip_text(table);
    }
    return n;
}

static void open_result(bb_board *b)
{
    bb_open_answer(b);
    bb_put_text(b, word_of(b));
}

static uint8_t answer_clock(bb_board *b, uint32_t clock)
{
    open_result(b);
    bb_put_hex8(b, clock);
    bb_close(b);
    return DONE;
}

static void answer_same(bb_board *b)
{
    char *argument = first_argument(b);
    uint8_t n;

    open_result(b);
    for (n = b->words; n; n--) {
        bb_put(b, ' ');
        bb_put_text(b, argument);
        argument = argument_after(argument);
    }
    bb_close(b);
}

static void refuse(bb_board *b, uint8_t code)
{
    bb_open_answer(b);
    bb_put(b, 'n');
    bb_put(b, 'o');
    bb_put_hex2(b, code);
    bb_put(b, ' ');
    bb_put_flash(b, bb_nth_text(refusals, code));
    bb_close(b);
}

static uint8_t do_hello(bb_board *b)
{
    open_result(b);
    bb_put_hex2(b, 1);
    bb_put_hex2(b, b->items);
    bb_put_hex4(b, BB_RECEIVE);
    bb_put_hex4(b, b->counters[BB_BOOT]);
    bb_put(b, ' ');
    bb_put_stored(b, false);
    bb_close(b);
    return DONE;
}

static uint8_t do_item(bb_board *b, uint8_t item)
{
    if (item >= b->items) {
        return NO_ITEM;
    }
    open_result(b);
    bb_put_hex2(b, item);
    bb_put(b, ' ');
    bb_item(b, item);
    bb_close(b);
    return DONE;
}

static void open_read(bb_board *b, uint8_t next)
{
    open_result(b);
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

static uint8_t do_read_all(bb_board *b)
{
    uint16_t from = 0;

    if (b->words > 2 || (b->words == 2 && !bb_hex(argument_after(first_argument(b)), 2, &from))) {
        return NO_FORM;
    }
    return read_page(b, (uint8_t)from);
}

static uint8_t set_one(bb_board *b, uint8_t slot, const char *value, bool really)
{
    uint8_t digits = slot - BB_DIGITS_SLOT, place, width;
    uint16_t level;

    if (slot < BB_LAMP_SLOT) {
        return NO_ABILITY;
    }
    if (slot < BB_DIGITS_SLOT) {
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
    for (place = 0; place < width / 2u; place++, value += 2) {
        if (!bb_hex_ahead(value, 2, &level)) {
            return NO_FORM;
        }
        if (really) {
            *bb_place(b, digits, place) = (uint8_t)level;
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

/* One argument of `read`, `set` or `raw`. First all are looked at, then, if all are good, it is really done. */
static uint8_t one_argument(bb_board *b, uint8_t word, char *argument, bool really)
{
    uint8_t slot = bb_find(argument);
    const char *value = argument;

    while (*value && *value != '=') {
        value++;
    }
    if ((*value == 0) != (word == READ) || value == argument) {
        return NO_FORM;
    }
    if (slot == BB_NONE) {
        return NO_CHANNEL;
    }
    if (word == SET) {
        return set_one(b, slot, value + 1, really);
    }
    if (word == RAW) {
        return raw_one(b, slot, value + 1, really);
    }
    if (really) {
        bb_put_setting(b, slot);
        return NEXT;
    }
    b->out_length = (uint8_t)(b->out_length + setting_length(slot));
    return b->out_length > BODY_MOST ? NO_FORM : NEXT;
}

static uint8_t do_each(bb_board *b, uint8_t word)
{
    uint8_t really, n;

    b->out_length = READ_HEAD; /* adds up what an answer to `read` will be */
    for (really = 0; really < 2; really++) {
        char *argument = first_argument(b);

        if (really && word == READ) {
            open_read(b, 0);
        }
        for (n = b->words; n; n--) {
            uint8_t code = one_argument(b, word, argument, really);

            if (code) {
                return code;
            }
            argument = argument_after(argument);
        }
        if (word == RAW && b->tag == 0 && argument - b->line > (int)BODY_MOST) {
            return NO_FORM; /* typed by hand it may be longer than what an answer can hold */
        }
    }
    if (word == READ) {
        bb_close(b);
    } else if (word == RAW) {
        return SAME;
    } else {
#if PANEL_LAMP_BYTES
        hal_lamps(b);
#endif
        b->waiting = WAIT_OUTPUTS;
    }
    return DONE;
}

static bool ident_good(const char *text)
{
    const char *at = text;

    for (; *at; at++) {
        bool letter = *at >= 'a' && *at <= 'z';

        if (!letter && (at == text || ((*at < '0' || *at > '9') && *at != '_'))) {
            return false;
        }
    }
    return at - text <= 16;
}

/* Free text as written on the wire: no `=`, and `%` only before two hex digits. */
static bool text_good(const char *text)
{
    uint16_t ignored;

    for (; *text; text++) {
        if (*text == '=' || (*text == '%' && !bb_hex_ahead(text + 1, 2, &ignored))) {
            return false;
        }
    }
    return true;
}

static uint8_t do_keep(bb_board *b, bool name)
{
    const char *text = first_argument(b);

    if (!(name ? text_good(text) : ident_good(text))) {
        return NO_FORM;
    }
    if (strlen(text) > 24u) {
        return NO_RANGE;
    }
    b->store_step = 0;
    b->waiting = WAIT_STORE;
    return DONE;
}

/* Counts the arguments and reads the numbers among them. The last one goes to *value. */
static bool form_good(bb_board *b, uint8_t word, uint16_t *value)
{
    uint8_t form = bb_flash_byte(&forms[word]), n;
    char *argument = first_argument(b);

    if ((form & 15u) == SEVERAL ? b->words == 0 : b->words != (form & 15u)) {
        return false;
    }
    for (n = b->words; n && form >> 4; n--) {
        if (!bb_hex(argument, form >> 4, value)) {
            return false;
        }
        argument = argument_after(argument);
    }
    return true;
}

static uint8_t act(bb_board *b, uint8_t word)
{
    uint16_t value = 0;

    if (word == WORDS) {
        return NO_WORD;
    }
    if (!form_good(b, word, &value)) {
        return NO_FORM;
    }
    switch (word) {
    case HELLO:
        return do_hello(b);
    case ITEM:
        return do_item(b, (uint8_t)value);
    case READ:
        return strcmp(first_argument(b), "all") == 0 ? do_read_all(b) : do_each(b, word);
    case SET:
        return b->dark ? NO_DARK : do_each(b, word);
    case RAW:
        return do_each(b, word);
    case DARK:
        if (b->early_dark) {
            b->early_dark--; /* it was acted upon when it came */
        } else {
            bb_go_dark(b);
        }
        return answer_clock(b, b->dark_at);
    case LIGHT:
        if (b->early_dark) {
            return NO_BUSY; /* a later `dark` has been acted upon already: it must win */
        }
        if (b->local_dark) {
            return NO_DARK;
        }
        b->dark = false;
        bb_all_off(b);
        b->waiting = WAIT_OUTPUTS;
        return DONE;
    case DEADMAN:
        b->deadman_ms = value;
        b->deadman_left = value;
        return SAME;
    case ALIVE:
        if (value < 100u || value > 10000u) {
            return NO_RANGE;
        }
        b->alive_ms = value;
        b->alive_left = value;
        return SAME;
    case PING:
        b->waiting = WAIT_IDLE;
        return DONE;
    case IDENT:
    case NAME:
        return do_keep(b, word == NAME);
    default:
        if (b->dark && !PANEL_OWN_LIGHT) {
            return NO_DARK;
        }
        bb_wink_start(b);
        return SAME;
    }
}

void bb_answer(bb_board *b)
{
    uint8_t code = act(b, word_number(b));

    if (code == SAME) {
        answer_same(b);
    } else if (code != DONE) {
        refuse(b, code);
    }
}

bool bb_finish(bb_board *b)
{
    uint32_t now;

    if (b->waiting == WAIT_STORE) {
        if (!bb_store_step(b, word_of(b)[0] == 'n', first_argument(b))) {
            return false;
        }
        answer_same(b);
    } else {
        if (b->waiting == WAIT_IDLE ? !hal_send_idle(b) : b->display_next != 0) {
            return false;
        }
        now = hal_clock(b); /* of a ping's answer the first byte starts on the wire right after this */
        open_result(b);
        if (b->waiting == WAIT_IDLE) {
            bb_put_hex8(b, b->received);
        }
        bb_put_hex8(b, now);
        bb_close(b);
    }
    b->waiting = WAIT_NOTHING;
    return true;
}
