/* Lines out: the open line goes into the send ring byte by byte as it is formatted, so that its first byte is on the wire
 * while the rest is still being worked out. */
#include "inside.h"

#define CHECK_ROOM 6u /* " #C08E" */

uint16_t bb_check(uint16_t check, uint8_t byte)
{
    /* Polynomial 1021h, a byte at a time without a table (its terms x^12 and x^5 folded into shifts). */
    uint8_t x = (uint8_t)((check >> 8) ^ byte);

    x ^= (uint8_t)(x >> 4);
    return (uint16_t)((uint16_t)(check << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^ x);
}

bool bb_can_send(const bb_board *b)
{
    return (uint8_t)(b->tx_head - b->tx_tail) <= BB_AHEAD;
}

void bb_put(bb_board *b, char c)
{
    uint8_t head = b->tx_head;

    b->out_check = bb_check(b->out_check, (uint8_t)c);
    b->out_length++;
    b->tx[head % BB_SEND] = (uint8_t)c;
    b->tx_head = (uint8_t)(head + 1u);
    hal_send(b);
}

static void open_line(bb_board *b, char first)
{
    b->out_check = 0xFFFFu;
    b->out_length = 0;
    bb_put(b, first);
}

void bb_open_answer(bb_board *b)
{
    open_line(b, '<');
    bb_put_hex(b, b->tag, 2);
    bb_put(b, ' ');
}

void bb_open_news(bb_board *b, uint32_t clock)
{
    open_line(b, '!');
    bb_put_hex(b, b->number++, 4);
    bb_put_space_hex(b, clock, 8);
    bb_put(b, ' ');
}

void bb_close(bb_board *b)
{
    uint16_t check;

    bb_put(b, ' ');
    check = b->out_check;
    bb_put(b, '#');
    bb_put_hex(b, check, 4);
    bb_put(b, '\n');
}

void bb_put_hex(bb_board *b, uint32_t value, uint8_t digits)
{
    while (digits) {
        uint8_t byte, digit;

        digits--;
        byte = (uint8_t)(digits >= 6 ? value >> 24 : digits >= 4 ? value >> 16 : digits >= 2 ? value >> 8 : value);
        digit = (digits & 1u) ? byte >> 4 : byte & 15u;
        bb_put(b, (char)(digit < 10 ? '0' + digit : 'A' - 10 + digit));
    }
}

void bb_put_space_hex(bb_board *b, uint32_t value, uint8_t digits)
{
    bb_put(b, ' ');
    bb_put_hex(b, value, digits);
}

void bb_put_flash(bb_board *b, const char *text)
{
    char c;

    while ((c = (char)bb_flash_byte(text)) != 0) {
        bb_put(b, c);
        text++;
    }
}

void bb_put_text(bb_board *b, const char *text)
{
    while (*text) {
        bb_put(b, *text++);
    }
}

static uint8_t word_length(const char *text)
{
    uint8_t n = 0;
    char c;

    while ((c = (char)bb_flash_byte(text + n)) != 0 && c != ' ') {
        n++;
    }
    return n;
}

uint8_t bb_id_length(uint8_t slot)
{
    return word_length(bb_text_of(slot));
}

void bb_put_id(bb_board *b, uint8_t slot)
{
    const char *text = bb_text_of(slot);
    uint8_t n;

    bb_put(b, ' ');
    for (n = word_length(text); n; n--) {
        bb_put(b, (char)bb_flash_byte(text++));
    }
}

/* How much of a label still fits: whole escapes only, and at least one character after "label=". */
static uint8_t cut_label(const char *word, uint8_t room)
{
    if (room < 7 || (char)bb_flash_byte(word) != 'l' || (char)bb_flash_byte(word + 5) != '=') {
        return 0;
    }
    if ((char)bb_flash_byte(word + room - 1) == '%') {
        room -= 1;
    } else if ((char)bb_flash_byte(word + room - 2) == '%') {
        room -= 2;
    }
    return room < 7 ? 0 : room;
}

void bb_put_words(bb_board *b, uint8_t slot)
{
    const char *text = bb_text_of(slot);

    text += word_length(text);
    while (bb_flash_byte(text)) {
        uint8_t length = word_length(++text);
        uint8_t room = (uint8_t)(BB_LINE - 1u - CHECK_ROOM - 1u - b->out_length);
        uint8_t fits = length;

        if (b->out_length + length > BB_LINE - 1u - CHECK_ROOM - 1u) {
            fits = b->out_length < BB_LINE - 1u - CHECK_ROOM - 1u ? cut_label(text, room) : 0;
        }
        if (fits) {
            const char *from = text;

            bb_put(b, ' ');
            while (fits--) {
                bb_put(b, (char)bb_flash_byte(from++));
            }
        }
        text += length;
    }
}
