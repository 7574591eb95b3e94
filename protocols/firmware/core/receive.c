/* Lines in: bytes of the receive ring become one checked request at a time. `dark` is looked for ahead of its turn, so that
 * it works at once even when answers to earlier requests still wait for the wire. */
#include "inside.h"

#define CHECK_ROOM 6u /* " #C08E" */

static bool hex_digit(char c, uint8_t *digit)
{
    if (c >= '0' && c <= '9') {
        *digit = (uint8_t)(c - '0');
    } else if (c >= 'A' && c <= 'F') {
        *digit = (uint8_t)(c - 'A' + 10);
    } else {
        return false;
    }
    return true;
}

/* Exactly `digits` upper-case hex digits; what follows them is not looked at. */
static bool hex_ahead(const char *text, uint8_t digits, uint32_t *value)
{
    uint32_t sum = 0;
    uint8_t digit;

    while (digits--) {
        if (!hex_digit(*text++, &digit)) {
            return false;
        }
        sum = sum << 4 | digit;
    }
    *value = sum;
    return true;
}

bool bb_hex(const char *text, uint8_t digits, uint32_t *value)
{
    return hex_ahead(text, digits, value) && text[digits] == 0;
}

/* Printable, words split by single spaces, none at the end, no reserved character. */
static bool body_good(const char *text, uint8_t length)
{
    char before = ' ';

    while (length--) {
        char c = *text++;

        if (c == ' ' ? before == ' ' : c < '!' || c > '~' || c == '<' || c == '>' || c == '!' || c == '#' || c == '@') {
            return false;
        }
        before = c;
    }
    return before != ' ';
}

bool bb_line_good(const char *line, uint8_t length)
{
    uint16_t check = 0xFFFFu;
    uint8_t n;
    uint32_t claimed;

    if (length < CHECK_ROOM + 2u || length >= BB_LINE || (line[0] != '>' && line[0] != '<' && line[0] != '!')) {
        return false;
    }
    length = (uint8_t)(length - CHECK_ROOM);
    if (line[length] != ' ' || line[length + 1] != '#' || !hex_ahead(line + length + 2, 4, &claimed)) {
        return false;
    }
    for (n = 0; n <= length; n++) {
        check = bb_check(check, (uint8_t)line[n]);
    }
    return check == (uint16_t)claimed && body_good(line + 1, (uint8_t)(length - 1u));
}

/* A request of either form: sets tag, by_hand and where its word begins (0: it is none). */
static uint8_t form_of(bb_board *b, uint8_t length)
{
    uint32_t tag;
    const char *line = b->line;

    if (line[0] == '@') {
        b->by_hand = true;
        b->tag = 0;
        return length > 3 && line[1] == '@' && line[2] == ' ' && body_good(line + 3, (uint8_t)(length - 3u)) ? 3 : 0;
    }
    b->by_hand = false;
    if (line[0] != '>' || !bb_line_good(line, length) || length < 5u + CHECK_ROOM || line[3] != ' '
        || !hex_ahead(line + 1, 2, &tag) || tag == 0) {
        return 0;
    }
    b->tag = (uint8_t)tag;
    return 4;
}

/* Splits what stands in b->line into texts of their own; true if it is a request. */
static bool accept_line(bb_board *b, uint8_t length)
{
    uint8_t begin, n;

    b->line[length] = 0;
    begin = form_of(b, length);
    if (begin == 0) {
        b->bad++;
        return false;
    }
    if (!b->by_hand) {
        length = (uint8_t)(length - CHECK_ROOM);
        b->line[length] = 0;
        b->fed_at = b->now;
    }
    b->words = 0;
    b->arguments = length;
    for (n = begin; n < length; n++) {
        if (b->line[n] == ' ') {
            b->line[n] = 0;
            if (b->words++ == 0) {
                b->arguments = (uint8_t)(n + 1u);
            }
        }
    }
    return true;
}

/* The time of the line end just taken: the interrupt's stamp, or now if there were too many line ends to keep. */
static uint32_t take_stamp(bb_board *b)
{
    uint8_t behind = (uint8_t)(b->stamp_head - b->stamp_tail);
    uint32_t stamp = b->stamp[b->stamp_tail % BB_STAMPS];

    b->stamp_tail++;
    return behind > BB_STAMPS ? hal_clock(b) : stamp;
}

bool bb_take_line(bb_board *b)
{
    while (b->rx_tail != b->rx_seen) {
        uint8_t tail = b->rx_tail;
        uint8_t byte = b->rx[tail % BB_RECEIVE];
        uint8_t length = b->in_length;

        b->rx_tail = (uint8_t)(tail + 1u);
        if (!bb_line_end(byte)) {
            if (length == BB_LINE - 1u) {
                b->bad++;
                b->in_length = BB_TOO_LONG;
            } else if (length != BB_TOO_LONG) {
                b->line[length] = (char)byte;
                b->in_length++;
            }
            continue;
        }
        if (length == 0) {
            continue;
        }
        b->in_length = 0;
        b->received = take_stamp(b);
        if (length != BB_TOO_LONG && accept_line(b, length)) {
            return true;
        }
    }
    return false;
}

/* `x` stands for any hex digit. Both forms must match whole, from line end to line end. */
static const char dark_line[] BB_FLASH = ">xx dark #xxxx";
static const char dark_hand[] BB_FLASH = "@@ dark";

#define NO_MATCH 0xFFu
#define DARK_CHECK_FROM 9u /* of dark_line: the `#` */

static uint8_t dark_line_step(bb_board *b, uint8_t step, uint8_t byte)
{
    char want = (char)bb_flash_byte(&dark_line[step]);
    uint8_t digit = 0;

    if (step == 0) {
        b->dark_check = 0xFFFFu;
    }
    if (want == 'x' ? !hex_digit((char)byte, &digit) : (char)byte != want) {
        return NO_MATCH;
    }
    if (step < DARK_CHECK_FROM) {
        b->dark_check = bb_check(b->dark_check, byte);
    } else if (step > DARK_CHECK_FROM) {
        if (b->dark_check >> 12 != digit) {
            return NO_MATCH;
        }
        b->dark_check = (uint16_t)(b->dark_check << 4);
    }
    return (uint8_t)(step + 1u);
}

void bb_listen(bb_board *b)
{
    uint8_t head = b->rx_head;
    uint8_t line_step = b->dark_step, hand_step = b->hand_step;
    uint8_t seen;

    for (seen = b->rx_seen; seen != head; seen++) {
        uint8_t byte = b->rx[seen % BB_RECEIVE];

        if (bb_line_end(byte)) {
            if (line_step == sizeof dark_line - 1u || hand_step == sizeof dark_hand - 1u) {
                bb_go_dark(b);
                b->early_dark++;
            }
            line_step = 0;
            hand_step = 0;
            continue;
        }
        if (line_step != NO_MATCH) {
            line_step = line_step < sizeof dark_line - 1u ? dark_line_step(b, line_step, byte) : NO_MATCH;
        }
        if (hand_step != NO_MATCH) {
            hand_step = hand_step < sizeof dark_hand - 1u && byte == bb_flash_byte(&dark_hand[hand_step])
                            ? (uint8_t)(hand_step + 1u)
                            : NO_MATCH;
        }
    }
    b->rx_seen = head;
    b->dark_step = line_step;
    b->hand_step = hand_step;
}
