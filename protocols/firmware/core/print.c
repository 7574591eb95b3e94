/* Lines out: the open line goes into the send ring byte by byte as it is formatted, so that its first byte is on the wire
 * while the rest is still being formatted. */
#if defined(__AVR__) && !defined(__clang__)
#pragma GCC optimize("O2") /* every byte sent goes through here: a seventh more answers per second for 300 bytes of flash */
#endif

#include "inside.h"

/* Characters of a line before its check, " #C08E", and its end. */
#define BODY_MOST (BB_LINE - 7u)

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
    bb_put_digits(b, b->tag, 2);
    bb_put(b, ' ');
}

void bb_open_notification(bb_board *b)
{
    open_line(b, '!');
    bb_put_digits(b, b->number++, 4);
    bb_put(b, ' ');
}

void bb_close(bb_board *b)
{
    uint16_t check;

    bb_put(b, ' ');
    check = b->out_check;
    bb_put(b, '#');
    bb_put_digits(b, check, 4);
    bb_put(b, '\n');
}

void bb_put_digits(bb_board *b, uint16_t value, uint8_t digits)
{
    uint8_t n;

    for (n = 4; n; n--) {
        uint8_t digit = (uint8_t)(value >> 12);

        if (n <= digits) {
            bb_put(b, (char)(digit < 10 ? '0' + digit : 'A' - 10 + digit));
        }
        value = (uint16_t)(value << 4);
    }
}

void bb_put_hex2(bb_board *b, uint8_t value)
{
    bb_put(b, ' ');
    bb_put_digits(b, value, 2);
}

void bb_put_hex4(bb_board *b, uint16_t value)
{
    bb_put(b, ' ');
    bb_put_digits(b, value, 4);
}

void bb_put_hex8(bb_board *b, uint32_t value)
{
    bb_put_hex4(b, (uint16_t)(value >> 16));
    bb_put_digits(b, (uint16_t)value, 4);
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

void bb_put_id(bb_board *b, uint8_t slot)
{
    const char *text = bb_text_of(slot);
    char c = ' ';

    do {
        bb_put(b, c);
    } while ((c = (char)bb_flash_byte(text++)) > ' ');
}

void bb_put_words(bb_board *b, uint8_t slot)
{
    const char *text = bb_text_of(slot) + bb_id_length(slot);
    static const char keys[] BB_FLASH = " pin=\0 colour=\0 label=";
    char c;

    /* An escape (3) must fit completely, and a key with at least one character (9). */
    while ((c = (char)bb_flash_byte(text++)) != 0 && b->out_length + (c == '%' ? 3u : c < ' ' ? 9u : 1u) <= BODY_MOST) {
        if (c < ' ') {
            bb_put_flash(b, bb_nth_text(keys, (uint8_t)(c - 1)));
        } else {
            bb_put(b, c);
            if (c == '%') {
                bb_put(b, (char)bb_flash_byte(text++));
                bb_put(b, (char)bb_flash_byte(text++));
            }
        }
    }
}
