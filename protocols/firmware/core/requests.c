/* The requests of the protocol: what each does and how it is answered (line-protocol.md, section 4). */
#include <string.h>

#include "asking.h"

/* By code; 08 is never used here. */
static const char refusals[] BB_FLASH = "\0unknown word\0wrong form\0no such channel\0cannot do that\0out of range\0"
                                        "dark is on\0busy\0\0no such item";

static const char word_table[] BB_FLASH
    = "hello\0item\0read\0set\0dark\0light\0deadman\0ping\0alive\0raw\0ident\0name\0wink\0";

/* Number of arguments (15: one or more), and how many hex digits each has (0: not a number). */
#define FORM(arguments, digits) ((digits) << 4 | (arguments))
#define SEVERAL 15u
static const uint8_t forms[ASK_WORDS] BB_FLASH = {
    [ASK_HELLO] = FORM(0, 0),
    [ASK_ITEM] = FORM(1, 2),
    [ASK_READ] = FORM(SEVERAL, 0),
    [ASK_SET] = FORM(SEVERAL, 0),
    [ASK_DARK] = FORM(0, 0),
    [ASK_LIGHT] = FORM(0, 0),
    [ASK_DEADMAN] = FORM(1, 4),
    [ASK_PING] = FORM(2, 8),
    [ASK_ALIVE] = FORM(1, 4),
    [ASK_RAW] = FORM(SEVERAL, 0),
    [ASK_IDENT] = FORM(1, 0),
    [ASK_NAME] = FORM(1, 0),
    [ASK_WINK] = FORM(0, 0),
};

static char *word_of(bb_board *b)
{
    return b->line + (b->tag ? 4 : 3);
}

char *bb_first_argument(bb_board *b)
{
    return b->line + b->arguments;
}

char *bb_argument_after(char *argument)
{
    while (*argument++) {
    }
    return argument;
}

static uint8_t word_number(bb_board *b)
{
    const char *table = word_table;
    uint8_t n;

    for (n = 0; n < ASK_WORDS; n++) {
        const char *end = bb_same(table, word_of(b));

        if (end && *end == 0) {
            break;
        }
        table = bb_skip_text(table);
    }
    return n;
}

void bb_open_result(bb_board *b)
{
    bb_open_answer(b);
    bb_put_text(b, word_of(b));
}

static uint8_t answer_clock(bb_board *b, uint32_t clock)
{
    bb_open_result(b);
    bb_put_hex8(b, clock);
    bb_close(b);
    return DONE;
}

static void answer_same(bb_board *b)
{
    char *argument = bb_first_argument(b);
    uint8_t n;

    bb_open_result(b);
    for (n = b->words; n; n--) {
        bb_put(b, ' ');
        bb_put_text(b, argument);
        argument = bb_argument_after(argument);
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
    bb_open_result(b);
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
    bb_open_result(b);
    bb_put_hex2(b, item);
    bb_put(b, ' ');
    bb_item(b, item);
    bb_close(b);
    return DONE;
}

bool bb_ident_good(const char *text)
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

bool bb_text_good(const char *text)
{
    uint16_t ignored;

    for (; *text; text++) {
        if (*text <= ' ' || *text > '~' || *text == '=' || (*text == '%' && !bb_hex_ahead(text + 1, 2, &ignored))) {
            return false;
        }
    }
    return true;
}

static uint8_t do_keep(bb_board *b, bool name)
{
    const char *text = bb_first_argument(b);

    if (!(name ? bb_text_good(text) : bb_ident_good(text))) {
        return NO_FORM;
    }
    if (strlen(text) > 24u) {
        return NO_RANGE;
    }
    b->store_step = 0;
    b->waiting = WAIT_STORE;
    return DONE;
}

/* Checks the arguments' count and reads those that are numbers; *value receives the last. */
static bool form_good(bb_board *b, uint8_t word, uint16_t *value)
{
    uint8_t form = bb_flash_byte(&forms[word]), n;
    char *argument = bb_first_argument(b);

    if ((form & 15u) == SEVERAL ? b->words == 0 : b->words != (form & 15u)) {
        return false;
    }
    for (n = b->words; n && form >> 4; n--) {
        if (!bb_hex(argument, form >> 4, value)) {
            return false;
        }
        argument = bb_argument_after(argument);
    }
    return true;
}

static uint8_t act(bb_board *b, uint8_t word)
{
    uint16_t value = 0;

    if (word == ASK_WORDS) {
        return NO_WORD;
    }
    if (!form_good(b, word, &value)) {
        return NO_FORM;
    }
    switch (word) {
    case ASK_HELLO:
        return do_hello(b);
    case ASK_ITEM:
        return do_item(b, (uint8_t)value);
    case ASK_READ:
        return strcmp(bb_first_argument(b), "all") == 0 ? bb_do_read_all(b) : bb_do_each(b, word);
    case ASK_SET:
        return b->dark ? NO_DARK : bb_do_each(b, word);
    case ASK_RAW:
        return bb_do_each(b, word);
    case ASK_DARK:
        if (b->early_dark) {
            b->early_dark--; /* it was carried out when it came */
        } else {
            bb_go_dark(b);
        }
        return answer_clock(b, b->dark_at);
    case ASK_LIGHT:
        if (b->early_dark) {
            return NO_BUSY; /* a later `dark` has been carried out already, and it must win */
        }
        if (b->local_dark) {
            return NO_DARK;
        }
        b->dark = false;
        bb_all_off(b);
        b->waiting = WAIT_OUTPUTS;
        return DONE;
    case ASK_DEADMAN:
        b->deadman_ms = value;
        b->deadman_left = value;
        return SAME;
    case ASK_ALIVE:
        if (value < 100u || value > 10000u) {
            return NO_RANGE;
        }
        b->alive_ms = value;
        b->alive_left = value;
        return SAME;
    case ASK_PING:
        b->waiting = WAIT_IDLE;
        return DONE;
    case ASK_IDENT:
    case ASK_NAME:
        return do_keep(b, word == ASK_NAME);
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
        if (!bb_store_step(b, word_of(b)[0] == 'n', bb_first_argument(b))) {
            return false;
        }
        answer_same(b);
    } else {
        if (b->waiting == WAIT_IDLE ? !hal_send_idle(b) : b->display_next != 0) {
            return false;
        }
        now = hal_clock(b); /* the first byte of a ping's answer starts on the wire right after this */
        bb_open_result(b);
        if (b->waiting == WAIT_IDLE) {
            bb_put_hex8(b, b->received);
        }
        bb_put_hex8(b, now);
        bb_close(b);
    }
    b->waiting = WAIT_NOTHING;
    return true;
}
