/* Fuzzes the board: whatever comes in on the serial line while controls are moved, the rules must hold. Every line sent is good,
 * notifications are numbered without a gap, there are no more answers than requests, and memory is not corrupted (build it with
 * sanitizers). It is driven by libFuzzer (LLVMFuzzerTestOneInput) or, built with -DLINES, by a seeded generator of its own:
 *
 *   fuzz-lines COUNT SEED      COUNT lines: good ones, mutated ones, torn ones, noise */
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "host_hal.h"
#include "inside.h"

static bb_board board;
static host_hardware hw;
static char line[BB_LINE + 1];
static size_t line_length;
static uint16_t next_number;
static long answers;
static uint64_t lines_out;

static void demand(int holds, const char *rule)
{
    if (!holds) {
        fprintf(stderr, "broken rule: %s; line: %.*s\n", rule, (int)line_length, line);
        abort();
    }
}

static unsigned hex_of(const char *text, int digits)
{
    unsigned sum = 0;

    while (digits--) {
        char c = *text++;

        demand((c >= '0' && c <= '9') || (c >= 'A' && c <= 'F'), "upper-case hex digits");
        sum = sum << 4 | (unsigned)(c <= '9' ? c - '0' : c - 'A' + 10);
    }
    return sum;
}

/* The line rules, checked by code that shares only the CRC step with the board's. */
static void look_at_line(void)
{
    uint16_t check = 0xFFFFu;
    size_t n;

    demand(line_length >= 8 && line_length < BB_LINE, "length");
    demand(line[0] == '<' || line[0] == '!', "first character");
    for (n = 0; n < line_length - 5; n++) {
        check = bb_check(check, (uint8_t)line[n]);
        demand(line[n] >= ' ' && line[n] <= '~', "printable");
        demand(n == 0 || !strchr("<>!#@", line[n]), "reserved characters");
        demand(line[n] != ' ' || line[n + 1] != ' ', "single spaces");
    }
    demand(line[line_length - 6] == ' ' && line[line_length - 5] == '#', "check word");
    demand(hex_of(line + line_length - 4, 4) == check, "check");
    if (line[0] == '!') {
        demand(hex_of(line + 1, 4) == next_number, "running number");
        next_number++;
        hex_of(line + 6, 8);
    } else {
        hex_of(line + 1, 2);
        answers--;
    }
    lines_out++;
}

static void take_output(void)
{
    while (bb_has_byte(&board)) {
        uint8_t byte = bb_next_byte(&board);

        if (byte == '\n') {
            look_at_line();
            line_length = 0;
        } else {
            demand(line_length < BB_LINE, "line too long");
            line[line_length++] = (char)byte;
        }
    }
}

static void begin(bb_cause cause)
{
    line_length = 0;
    next_number = 0;
    answers = 0;
    hw.clock_us = 0;
    bb_begin(&board, cause, &hw);
}

static void turn(uint64_t us)
{
    hw.clock_us += us;
    bb_scan(&board, (uint32_t)hw.clock_us, hw.levels);
    bb_poll(&board);
    take_output();
}

/* Done between bytes: mostly nothing. */
static void meddle(uint8_t how)
{
    if (how & 0x80u) {
        host_pin(&board, (uint8_t)(how % (8u * PANEL_INPUT_BYTES)), how & 0x40u);
    } else if ((how & 0xE0u) == 0x60u) {
        uint8_t pot;

        for (pot = 0; pot != PANEL_POTS; pot++) {
            hw.pot[pot] = (uint16_t)(how * 33u % 1024u);
            bb_reading(&board, pot, hw.pot[pot]);
        }
    }
    turn(how & 3u ? 400u : 12000u);
}

static void feed(uint8_t byte)
{
    if (bb_line_end(byte)) {
        answers++; /* at most one per line end */
    }
    bb_received(&board, byte);
    demand(answers >= 0, "one answer a request");
}

static void settle(void)
{
    int turns;

    for (turns = 0; turns < 200; turns++) {
        turn(400);
    }
    demand(answers >= 0, "one answer a request");
    demand(board.rx_head == board.rx_tail, "everything is read in the end");
}

#ifndef LINES

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Bytes above 7Fh move controls or advance the time, all others come in on the line; 00h 80h is 80h on the line. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    size_t n;

    host_hardware_begin(&hw);
    begin(BB_POWER);
    for (n = 0; n < size; n++) {
        if (data[n] == 0 && n + 1 < size) {
            feed(data[++n]);
        } else if (data[n] >= 0x80u) {
            meddle((uint8_t)(data[n] << 1));
        } else {
            feed(data[n]);
        }
        if ((n & 15u) == 0) {
            turn(100);
        }
    }
    feed('\n');
    settle();
    return 0;
}

#else

static uint64_t state;

static uint32_t any(uint32_t below)
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return (uint32_t)(state >> 11) % below;
}

static const char *const words[] = {"hello", "item", "read", "set", "dark", "light", "deadman", "ping", "alive", "raw", "ident", "name",
                                    "wink", "zzz", "all", "", "set l1=1F4", "read all", "raw sw1=1", "raw sw2=1", "raw e1=1",
                                    "raw p1=1", "ping 00000000 00000000", "alive 0064", "deadman 0010", "light"};
static const char *const arguments[] = {"00", "0C", "FF", "all", "l1=1F4", "l2=3E8", "l1=3E9", "d1=7E30", "d2=FFFFFFFFFFFFFFFF",
                                        "sw1", "sw2=1", "sel1", "e1=1", "p1=1", "07D0", "0000", "0012ABCD", "00000000", "a%20b",
                                        "%", "=", "a=", "x", "reference", "nosuch=1", "l1", "d2", "%C3%A4%C3%A4%C3%A4%C3%A4x"};

#define COUNT(list) (sizeof(list) / sizeof *(list))

static size_t make_line(uint8_t *out)
{
    char text[200];
    uint16_t check = 0xFFFFu;
    size_t length, n;
    uint32_t kind = any(16);

    if (kind == 0) { /* noise */
        length = any(120);
        for (n = 0; n < length; n++) {
            out[n] = (uint8_t)any(256);
        }
        return length;
    }
    length = (size_t)sprintf(text, kind < 4 ? "@@ " : ">%02X ", (unsigned)any(256));
    length += (size_t)sprintf(text + length, "%s", words[any(COUNT(words))]);
    for (n = any(4); n; n--) {
        length += (size_t)sprintf(text + length, " %s", arguments[any(COUNT(arguments))]);
    }
    if (kind >= 4) {
        text[length++] = ' ';
        for (n = 0; n < length; n++) {
            check = bb_check(check, (uint8_t)text[n]);
        }
        length += (size_t)sprintf(text + length, "#%04X", check);
    }
    memcpy(out, text, length);
    if (any(4) == 0) { /* mutated: bits flipped, bytes lost or doubled */
        for (n = 1 + any(3); n && length; n--) {
            size_t at = any((uint32_t)length);

            switch (any(4)) {
            case 0:
                out[at] ^= (uint8_t)(1u << any(8));
                break;
            case 1:
                memmove(out + at, out + at + 1, --length - at);
                break;
            case 2:
                memmove(out + at + 1, out + at, length++ - at);
                break;
            default:
                out[at] = (uint8_t)any(256);
                break;
            }
        }
    }
    return length;
}

int main(int argc, char **argv)
{
    unsigned long count = argc > 1 ? strtoul(argv[1], 0, 10) : 1000000, done;
    uint8_t bytes[256];

    state = (argc > 2 ? strtoul(argv[2], 0, 10) : 1) * 0x9E3779B97F4A7C15u + 1u;
    host_hardware_begin(&hw);
    begin(BB_POWER);
    for (done = 0; done < count; done++) {
        size_t length = make_line(bytes), n;

        for (n = 0; n < length; n++) {
            feed(bytes[n]);
            if (any(24) == 0) {
                meddle((uint8_t)any(256));
            }
        }
        if (any(16)) {
            feed(any(2) ? '\n' : '\r');
        }
        if (any(3) == 0) {
            settle();
        } else {
            turn(any(2000));
        }
        if (any(5000) == 0) {
            begin((bb_cause)any(5));
        }
    }
    settle();
    printf("%lu lines in, %llu out, no rule broken\n", count, (unsigned long long)lines_out);
    return 0;
}

#endif
