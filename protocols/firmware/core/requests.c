/* Every word of the protocol: what a request does and what is answered (line-protocol.md, section 4). */
#include <string.h>

#include "inside.h"

enum {
    NO_WORD = 1,
    NO_FORM = 2,
    NO_CHANNEL = 3,
    NO_ABILITY = 4,
    NO_RANGE = 5,
    NO_DARK = 6,
    NO_BUSY = 7,
    NO_ITEM = 9
};

enum { HELLO, ITEM, READ, SET, DARK, LIGHT, DEADMAN, PING, ALIVE, RAW, IDENT, NAME, WINK, WORDS };

#define READ_ROOM 73u /* BB_LINE without line end and check */

static const char word_table[] BB_FLASH
    = "hello\0item\0read\0set\0dark\0light\0deadman\0ping\0alive\0raw\0ident\0name\0wink\0";

static const char refusals[] BB_FLASH = "unknown word\0wrong arguments\0no such channel\0channel cannot do that\0"
                                        "value out of range\0dark is on\0busy, ask again\0left out\0no such item\0";

static uint8_t word_number(const char *word)
{
    const char *table = word_table;
    uint8_t n;

    for (n = 0; n < WORDS; n++) {
        const char *at = word;
        char c;

        while ((c = (char)bb_flash_byte(table)) != 0 && c == *at) {
            table++;
            at++;
        }
        if (c == 0 && *at == 0) {
            break;
        }
        while (bb_flash_byte(table++)) {
        }
    }
    return n;
}

static const char *word_of(const bb_board *b)
{
    return b->line + (b->by_hand ? 3 : 4);
}

static char *first_argument(bb_board *b)
{
    return b->line + b->arguments;
}

static char *argument_after(char *argument)
{
    return argument + strlen(argument) + 1;
}

static void open_result(bb_board *b)
{
    bb_open_answer(b);
    bb_put_text(b, word_of(b));
}

static void answer_clock(bb_board *b, uint32_t clock)
{
    open_result(b);
    bb_put_space_hex(b, clock, 8);
    bb_close(b);
}

/* The request's own words again. */
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
    const char *text = refusals;
    uint8_t n;

    for (n = 1; n < code; n++) {
        while (bb_flash_byte(text++)) {
        }
    }
    bb_open_answer(b);
    bb_put_flash(b, BB_TEXT("no "));
    bb_put_hex(b, code, 2);
    bb_put(b, ' ');
    bb_put_flash(b, text);
    bb_close(b);
}

static void do_hello(bb_board *b)
{
    open_result(b);
    bb_put_space_hex(b, 1, 2);
    bb_put_space_hex(b, b->items, 2);
    bb_put_space_hex(b, BB_RECEIVE, 4);
    bb_put_space_hex(b, b->boot, 4);
    bb_put(b, ' ');
    bb_put_stored(b, false);
    bb_close(b);
}

static uint8_t do_item(bb_board *b)
{
    uint32_t item;

    if (b->words != 1 || !bb_hex(first_argument(b), 2, &item)) {
        return NO_FORM;
    }
    if (item >= b->items) {
        return NO_ITEM;
    }
    open_result(b);
    bb_put_space_hex(b, item, 2);
    bb_put(b, ' ');
    bb_item(b, (uint8_t)item);
    bb_close(b);
    return 0;
}

static uint8_t setting_length(uint8_t slot)
{
    return (uint8_t)(2u + bb_id_length(slot) + bb_value_width(slot));
}

static void put_setting(bb_board *b, uint8_t slot)
{
    bb_put_id(b, slot);
    bb_put(b, '=');
    bb_put_value(b, slot);
}

static void open_read(bb_board *b, uint8_t next)
{
    open_result(b);
    bb_put_space_hex(b, (uint16_t)(b->number - 1u), 4);
    bb_put_space_hex(b, hal_clock(b), 8);
    bb_put_space_hex(b, next, 2);
}

#define READ_HEAD 25u /* "<0D read 0003 0004B2C0 00" */

static void read_page(bb_board *b, uint8_t from)
{
    uint8_t slot = bb_slot_of_item(from), begin = slot;
    uint8_t item = from < 4 ? 4 : from;
    uint8_t length = READ_HEAD;

    for (; slot < BB_SLOTS; slot++) {
        if (bb_text_of(slot) == 0) {
            continue;
        }
        if (length + setting_length(slot) > READ_ROOM) {
            break;
        }
        length = (uint8_t)(length + setting_length(slot));
        item++;
    }
    open_read(b, slot < BB_SLOTS ? item : 0);
    for (; begin < slot; begin++) {
        if (bb_text_of(begin) != 0) {
            put_setting(b, begin);
        }
    }
    bb_close(b);
}

static uint8_t do_read(bb_board *b)
{
    char *argument = first_argument(b);
    uint8_t n, length = READ_HEAD;
    uint32_t from = 0;

    if (b->words == 0) {
        return NO_FORM;
    }
    if (strcmp(argument, "all") == 0) {
        if (b->words > 2 || (b->words == 2 && !bb_hex(argument_after(argument), 2, &from))) {
            return NO_FORM;
        }
        if (from >= b->items) {
            return NO_ITEM;
        }
        read_page(b, (uint8_t)from);
        return 0;
    }
    for (n = b->words; n; n--) {
        uint8_t slot = bb_find(argument);

        if (slot == BB_NONE) {
            return NO_CHANNEL;
        }
        if (length + setting_length(slot) > READ_ROOM) {
            return NO_FORM;
        }
        length = (uint8_t)(length + setting_length(slot));
        argument = argument_after(argument);
    }
    open_read(b, 0);
    argument = first_argument(b);
    for (n = b->words; n; n--) {
        put_setting(b, bb_find(argument));
        argument = argument_after(argument);
    }
    bb_close(b);
    return 0;
}

/* Splits "id=value": the slot, and where the value begins. The `=` is put back by restore. */
static uint8_t split_setting(char *word, uint8_t *slot, char **value)
{
    char *equals = strchr(word, '=');

    if (equals == 0 || equals == word) {
        return NO_FORM;
    }
    *equals = 0;
    *slot = bb_find(word);
    *equals = '=';
    *value = equals + 1;
    return *slot == BB_NONE ? NO_CHANNEL : 0;
}

static uint8_t set_digits(bb_board *b, uint8_t display, const char *value, bool really)
{
    uint8_t place, width = bb_value_width((uint8_t)(BB_DIGITS_SLOT + display));

    if (strlen(value) != width) {
        return NO_FORM;
    }
    for (place = 0; place < width / 2u; place++) {
        char pair[3];
        uint32_t segments;

        pair[0] = value[2u * place];
        pair[1] = value[2u * place + 1u];
        pair[2] = 0;
        if (!bb_hex(pair, 2, &segments)) {
            return NO_FORM;
        }
        if (really) {
            bb_set_place(b, display, place, (uint8_t)segments);
        }
    }
    return 0;
}

static uint8_t set_one(bb_board *b, char *word, bool really)
{
    char *value;
    uint8_t slot;
    uint32_t level;
    uint8_t code = split_setting(word, &slot, &value);

    if (code) {
        return code;
    }
    if (slot < BB_LAMP_SLOT) {
        return NO_ABILITY;
    }
    if (slot >= BB_DIGITS_SLOT) {
        return set_digits(b, (uint8_t)(slot - BB_DIGITS_SLOT), value, really);
    }
    if (!bb_hex(value, 3, &level)) {
        return NO_FORM;
    }
    if (level > 1000u) {
        return NO_RANGE;
    }
    if (really) {
        bb_set_lamp(b, (uint8_t)(slot - BB_LAMP_SLOT), (uint16_t)level);
    }
    return 0;
}

static uint8_t do_set(bb_board *b)
{
    uint8_t pass, n;

    if (b->words == 0) {
        return NO_FORM;
    }
    if (b->dark) {
        return NO_DARK;
    }
    for (pass = 0; pass < 2; pass++) {
        char *argument = first_argument(b);

        for (n = b->words; n; n--) {
            uint8_t code = set_one(b, argument, pass == 1);

            if (code) {
                return code;
            }
            argument = argument_after(argument);
        }
    }
    bb_lamps_show(b);
    b->waiting = WAIT_OUTPUTS;
    return 0;
}

static uint8_t raw_flags(uint8_t slot)
{
    if (slot < BB_SELECTOR_SLOT) {
        return bb_flash_byte(&panel_contacts[slot].flags) & (BB_RAW_PIN | BB_RAW_SCAN);
    }
#if PANEL_ENCODERS
    if (slot >= BB_ENCODER_SLOT && slot < BB_POT_SLOT) {
        return bb_flash_byte(&panel_encoders[slot - BB_ENCODER_SLOT].flags) & (BB_RAW_PIN | BB_RAW_SCAN);
    }
#endif
    return slot >= BB_POT_SLOT && slot < BB_LAMP_SLOT;
}

static void watch_input(bb_board *b, uint8_t input, uint8_t flags, bool on)
{
    if (flags & BB_RAW_PIN) {
        hal_watch(b, input, on);
    } else {
        uint8_t before = hal_hold();

        if (on) {
            b->raw_scan[input >> 3] |= bb_bit(input);
        } else {
            b->raw_scan[input >> 3] &= (uint8_t)~bb_bit(input);
        }
        hal_release(before);
    }
}

static void set_raw(bb_board *b, uint8_t slot, bool on)
{
    uint8_t flags = raw_flags(slot);

    if (slot < BB_SELECTOR_SLOT) {
        watch_input(b, slot, flags, on);
        return;
    }
#if PANEL_ENCODERS
    if (slot < BB_POT_SLOT) {
        uint8_t e = (uint8_t)(slot - BB_ENCODER_SLOT);

        b->encoder_raw_ab[e] = b->encoder_ab[e];
        b->encoder_raw = (uint8_t)(on ? b->encoder_raw | bb_bit(e) : b->encoder_raw & ~bb_bit(e));
        watch_input(b, bb_flash_byte(&panel_encoders[e].a), flags, on);
        watch_input(b, bb_flash_byte(&panel_encoders[e].b), flags, on);
        return;
    }
#endif
    slot = bb_bit((uint8_t)(slot - BB_POT_SLOT));
    b->pot_raw = (uint8_t)(on ? b->pot_raw | slot : b->pot_raw & ~slot);
}

static uint8_t do_raw(bb_board *b)
{
    uint8_t pass, n;

    if (b->words == 0) {
        return NO_FORM;
    }
    for (pass = 0; pass < 2; pass++) {
        char *argument = first_argument(b);

        for (n = b->words; n; n--) {
            char *value;
            uint8_t slot;
            uint8_t code = split_setting(argument, &slot, &value);

            if (code == 0 && ((value[0] != '0' && value[0] != '1') || value[1] != 0)) {
                code = NO_FORM;
            } else if (code == 0 && raw_flags(slot) == 0) {
                code = NO_ABILITY;
            }
            if (code) {
                return code;
            }
            if (pass == 1) {
                set_raw(b, slot, value[0] == '1');
            }
            argument = argument_after(argument);
        }
        if (b->by_hand && argument - b->line > (int)(BB_LINE - 7u)) {
            return NO_FORM; /* typed by hand it may be longer than what an answer can hold */
        }
    }
    answer_same(b);
    return 0;
}

static uint8_t do_ping(bb_board *b)
{
    uint32_t ignored;
    char *argument = first_argument(b);

    if (b->words != 2 || !bb_hex(argument, 8, &ignored) || !bb_hex(argument_after(argument), 8, &ignored)) {
        return NO_FORM;
    }
    b->waiting = WAIT_IDLE;
    return 0;
}

/* `deadman` and `alive`: a time in milliseconds. */
static uint8_t do_time(bb_board *b, bool alive)
{
    uint32_t ms;

    if (b->words != 1 || !bb_hex(first_argument(b), 4, &ms)) {
        return NO_FORM;
    }
    if (!alive) {
        b->deadman_ms = (uint16_t)ms;
        b->fed_at = b->now;
    } else {
        if (ms < 100u || ms > 10000u) {
            return NO_RANGE;
        }
        b->alive_ms = (uint16_t)ms;
        b->alive_at = b->now + ms * 1000u;
    }
    answer_same(b);
    return 0;
}

static bool ident_good(const char *text)
{
    const char *at = text;

    if (*at < 'a' || *at > 'z') {
        return false;
    }
    while ((*at >= 'a' && *at <= 'z') || (*at >= '0' && *at <= '9') || *at == '_') {
        at++;
    }
    return *at == 0 && at - text <= 16;
}

/* Free text as written on the wire: no `=`, and `%` only before two hex digits. */
static bool text_good(const char *text)
{
    while (*text) {
        if (*text == '=') {
            return false;
        }
        if (*text == '%') {
            char pair[3];
            uint32_t ignored;

            pair[0] = text[1];
            pair[1] = text[1] ? text[2] : 0;
            pair[2] = 0;
            if (!bb_hex(pair, 2, &ignored)) {
                return false;
            }
        }
        text++;
    }
    return true;
}

static uint8_t do_keep(bb_board *b, bool name)
{
    char *text = first_argument(b);

    if (b->words != 1 || !(name ? text_good(text) : ident_good(text))) {
        return NO_FORM;
    }
    if (strlen(text) > 24u) {
        return NO_RANGE;
    }
    bb_store_start(b);
    b->waiting = WAIT_STORE;
    return 0;
}

static uint8_t do_light(bb_board *b)
{
    if (b->early_dark) {
        return NO_BUSY; /* a later `dark` is already on its way through the ring: it must win */
    }
    if (b->local_dark) {
        return NO_DARK;
    }
    bb_go_light(b);
    b->waiting = WAIT_OUTPUTS;
    return 0;
}

static void do_dark(bb_board *b)
{
    if (b->early_dark) {
        b->early_dark--;
    } else {
        bb_go_dark(b);
    }
    answer_clock(b, b->dark_at);
}

static uint8_t do_wink(bb_board *b)
{
    if (b->dark && !PANEL_OWN_LIGHT) {
        return NO_DARK;
    }
    bb_wink_start(b);
    answer_same(b);
    return 0;
}

/* What the word does; 0 or the code of the refusal. */
static uint8_t act(bb_board *b, uint8_t word)
{
    switch (word) {
    case ITEM:
        return do_item(b);
    case READ:
        return do_read(b);
    case SET:
        return do_set(b);
    case DEADMAN:
    case ALIVE:
        return do_time(b, word == ALIVE);
    case PING:
        return do_ping(b);
    case RAW:
        return do_raw(b);
    case IDENT:
    case NAME:
        return do_keep(b, word == NAME);
    case WORDS:
        return NO_WORD;
    default:
        break;
    }
    if (b->words) {
        return NO_FORM; /* the rest take no arguments */
    }
    switch (word) {
    case HELLO:
        do_hello(b);
        return 0;
    case DARK:
        do_dark(b);
        return 0;
    case LIGHT:
        return do_light(b);
    default:
        return do_wink(b);
    }
}

void bb_answer(bb_board *b)
{
    uint8_t code = act(b, word_number(word_of(b)));

    if (code) {
        refuse(b, code);
    }
}

bool bb_finish(bb_board *b)
{
    switch (b->waiting) {
    case WAIT_IDLE:
        if (!hal_send_idle(b)) {
            return false;
        } else {
            /* The first byte starts on the wire when it is put, and the second stamp is that moment. */
            uint32_t out = hal_clock(b);

            open_result(b);
            bb_put_space_hex(b, b->received, 8);
            bb_put_space_hex(b, out, 8);
            bb_close(b);
        }
        break;
    case WAIT_OUTPUTS:
        if (b->display_rows || b->display_control) {
            return false;
        }
        answer_clock(b, hal_clock(b));
        break;
    default: {
        bool name = word_number(word_of(b)) == NAME;

        if (!bb_store_step(b, name, first_argument(b))) {
            return false;
        }
        answer_same(b);
        break;
    }
    }
    b->waiting = WAIT_NOTHING;
    return true;
}
