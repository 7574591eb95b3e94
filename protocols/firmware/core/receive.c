/* Lines in: bytes of the receive ring become one checked request at a time. `dark` is looked for ahead of its turn, so that
 * it works at once even when answers to earlier requests still wait for the wire. */
#if defined(__AVR__) && !defined(__clang__)
#pragma GCC optimize("O2") /* every byte received goes through here: a seventh more answers per second for 300 bytes of flash */
#endif

#include <string.h>

#include "inside.h"

#define TOO_LONG 0xFFu
#define NO_DIGIT 0xFFu

static uint8_t hex_digit(char c)
{
    if (c >= '0' && c <= '9') {
        return (uint8_t)(c - '0');
    }
    return c >= 'A' && c <= 'F' ? (uint8_t)(c - 'A' + 10) : NO_DIGIT;
}

bool bb_hex_ahead(const char *text, uint8_t digits, uint16_t *value)
{
    uint16_t sum = 0;

    while (digits--) {
        uint8_t digit = hex_digit(*text++);

        if (digit == NO_DIGIT) {
            return false;
        }
        sum = (uint16_t)(sum << 4 | digit);
    }
    *value = sum;
    return true;
}

bool bb_hex(const char *text, uint8_t digits, uint16_t *value)
{
    return bb_hex_ahead(text, digits, value) && text[digits] == 0;
}

/* Checks a request of either form: printable, words split by single spaces, reserved characters in their places only, check
 * right. Returns the length of its body, without the check; 0 if it is not a request. */
static uint8_t good(const char *line, uint8_t length)
{
    uint16_t check = 0xFFFFu, claimed;
    uint8_t n, first = line[0] == '@' ? 2 : 1;
    char before = 0, c = 0;

    for (n = 0; n < length; n++) {
        c = line[n];
        if (n < first) {
            if (c != (first == 1 ? '>' : '@')) {
                return 0;
            }
        } else if (c == '#') {
            break;
        } else if (c < ' ' || c > '~' || (c == ' ' && before == ' ') || c == '<' || c == '>' || c == '!' || c == '@') {
            return 0;
        }
        check = bb_check(check, (uint8_t)c);
        before = c;
    }
    if (first == 2) {
        return n == length && line[2] == ' ' && before != ' ' ? n : 0;
    }
    return n == (uint8_t)(length - 5u) && before == ' ' && line[3] == ' ' && bb_hex_ahead(line + n + 1, 4, &claimed)
                   && claimed == check
               ? (uint8_t)(n - 1u)
               : 0;
}

/* Splits b->line into texts, one per word. Returns true if it is a request. */
static bool accept_line(bb_board *b, uint8_t length)
{
    uint8_t n;
    uint16_t tag = 0;
    char *line = b->line;

    line[length] = 0;
    length = good(line, length);
    if (length < 4 || (line[0] == '>' && (length < 5 || !bb_hex_ahead(line + 1, 2, &tag) || tag == 0))) {
        b->counters[BB_BAD]++;
        return false;
    }
    b->tag = (uint8_t)tag;
    if (tag) {
        b->deadman_left = b->deadman_ms;
    }
    line[length] = 0;
    b->words = 0;
    b->arguments = length;
    for (n = 4; n < length; n++) {
        if (line[n] == ' ') {
            line[n] = 0;
            if (b->words++ == 0) {
                b->arguments = (uint8_t)(n + 1u);
            }
        }
    }
    return true;
}

/* Returns the clock at the line end just taken: the interrupt's stamp, or now if too many line ends came to keep it. */
static uint32_t take_stamp(bb_board *b)
{
    uint16_t stamp = b->stamp[b->stamp_tail % BB_STAMPS];
    uint32_t now = hal_clock(b);

    return (uint8_t)(b->stamp_head - b->stamp_tail++) > BB_STAMPS ? now : now - (uint16_t)((uint16_t)now - stamp);
}

bool bb_take_line(bb_board *b)
{
    while (b->rx_tail != b->rx_seen) {
        uint8_t tail = b->rx_tail, length = b->in_length;
        char byte = (char)b->rx[tail % BB_RECEIVE];

        b->rx_tail = (uint8_t)(tail + 1u);
        if (bb_line_end((uint8_t)byte)) {
            if (length) {
                b->in_length = 0;
                b->received = take_stamp(b);
                if (length != TOO_LONG && accept_line(b, length)) {
                    return true;
                }
            }
        } else if (length < BB_LINE - 1u) {
            b->line[length] = byte;
            b->in_length++;
        } else if (length != TOO_LONG) {
            b->counters[BB_BAD]++;
            b->in_length = TOO_LONG;
        }
    }
    return false;
}

#define DARK_LINE 14u /* ">07 dark #8AE6" */
#define DARK_HAND 7u  /* "@@ dark" */

/* Returns true if the line that ends before ring position `end` is a good `dark`. */
static bool is_dark(const bb_board *b, uint8_t end, uint8_t length)
{
    char text[DARK_LINE];
    uint8_t n;

    if (length != DARK_LINE && length != DARK_HAND) {
        return false;
    }
    for (n = length; n;) {
        text[--n] = (char)b->rx[--end % BB_RECEIVE];
    }
    n = good(text, length);
    return n >= 5 && memcmp(text + n - 5, " dark", 5) == 0;
}

void bb_listen(bb_board *b)
{
    uint8_t head = b->rx_head, seen;

    while ((seen = b->rx_seen) != head) {
        b->rx_seen = (uint8_t)(seen + 1u);
        if (!bb_line_end(b->rx[seen % BB_RECEIVE])) {
            if (b->seen_length < 0xFFu) {
                b->seen_length++;
            }
            continue;
        }
        if (is_dark(b, seen, b->seen_length)) {
            bb_go_dark(b);
            b->early_dark++;
        }
        b->seen_length = 0;
    }
}
