/* The board in simulated time, for tests: carries out commands from standard input, one per line, and answers each with its
 * results and a line `done`. The same commands always give the same answers.
 *
 *   reset CAUSE        power, reset, watchdog, brownout or unknown; bytes under way are lost, the store is kept
 *   blank [BYTES]      the store as from the factory, or filled with these bytes (hex), repeated
 *   bytes HEX          bytes for the board, two digits each, at once
 *   run US             let this time pass: a scan every BB_SCAN_US, a turn of the main loop every TURN us
 *   turns US           set TURN: from now on a turn of the main loop every US us (50)
 *   baud RATE          the board's bytes leave at this rate; 0: at once; -1: not at all
 *   made ID 0|1        a contact opens or is made       level INPUT 0|1   a pin goes low or high
 *   code ID N          a selector's inputs take the pattern N
 *   ab ID N            an encoder's inputs take the levels A * 2 + B
 *   pot ID N           what the converter reads
 *   lit, shown         "lit ID=PERMILLE ..." "shown ID=SEGMENTS ...", as the eye sees it
 *   registers N        "registers 00 00": the contents of register N of each display driver
 *   forget             the display drivers lose their registers, as when the supply dips
 *   supply MV
 *   duty LIGHTNESS     "duty N": of bb_duty
 *   check HEX          "check C08E": of bb_check over these bytes
 *   time               "time US": since reset
 *   clock US           set the time since reset, without scans or turns for the time between
 *
 * A line from the board is printed as "line US TEXT": when its first byte left, and its text; bytes that are not printable as
 * \xHH. A command that is not understood ends the program with 2. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "host_hal.h"
#include "inside.h"

static bb_board board;
static host_hardware hw;
static uint64_t scan_at, turn_at, pot_at, sent_until_ns;
static long baud;
static uint64_t turn_us = 50;

static char line[1024];
static size_t line_length;
static uint64_t line_at;

static void fail(const char *what)
{
    fprintf(stderr, "benchboard-virtual: not understood: %s\n", what);
    exit(2);
}

static void begin(bb_cause cause)
{
    memset(hw.watched, 0, sizeof hw.watched);
    memset(hw.display, 0, sizeof hw.display);
    hw.clock_us = 0;
    scan_at = turn_at = pot_at = 0;
    sent_until_ns = 0;
    line_length = 0;
    bb_begin(&board, cause, &hw);
}

static void tell_byte(uint8_t byte)
{
    if (line_length == 0) {
        line_at = hw.clock_us;
    }
    if (byte == '\n') {
        printf("line %llu %.*s\n", (unsigned long long)line_at, (int)line_length, line);
        line_length = 0;
    } else if (byte >= ' ' && byte <= '~') {
        line[line_length++] = (char)byte;
    } else {
        line_length += (size_t)sprintf(line + line_length, "\\x%02X", byte);
    }
    if (line_length > sizeof line - 8) {
        fail("endless line from the board");
    }
}

static void send(void)
{
    while (bb_has_byte(&board) && baud >= 0) {
        if (baud) {
            if (hw.clock_us * 1000u < sent_until_ns) {
                break;
            }
            if (sent_until_ns + turn_us * 1000u < hw.clock_us * 1000u) {
                sent_until_ns = hw.clock_us * 1000u; /* the line was idle */
            }
            sent_until_ns += 10000000000u / (uint64_t)baud;
        }
        tell_byte(bb_next_byte(&board));
    }
    hw.busy = baud && hw.clock_us * 1000u < sent_until_ns;
}

static void run(uint64_t us)
{
    uint64_t end = hw.clock_us + us;

    while (hw.clock_us < end) {
        hw.clock_us++;
        if (hw.clock_us >= scan_at) {
            scan_at = hw.clock_us + BB_SCAN_US;
            bb_scan(&board, (uint32_t)hw.clock_us, hw.levels);
        }
        if (hw.clock_us >= pot_at) {
            uint8_t pot;

            pot_at = hw.clock_us + 1000u;
            for (pot = 0; pot != PANEL_POTS; pot++) {
                bb_reading(&board, pot, hw.pot[pot]);
            }
        }
        if (hw.clock_us >= turn_at) {
            turn_at = hw.clock_us + turn_us;
            bb_poll(&board);
            send();
        }
    }
}

static uint8_t slot_named(const char *id)
{
    uint8_t slot = id ? bb_find(id) : BB_NONE;

    if (slot == BB_NONE) {
        fail(id ? id : "no id");
    }
    return slot;
}

static uint8_t next_byte(const char **hex)
{
    char pair[3] = {(*hex)[0], (*hex)[1], 0}, *end;
    uint8_t byte = (uint8_t)strtoul(pair, &end, 16);

    if (*end || !pair[0] || !pair[1]) {
        fail(*hex);
    }
    *hex += 2;
    return byte;
}

static void put_id(uint8_t slot)
{
    const char *text;

    putchar(' ');
    for (text = bb_text_of(slot); *text > ' '; text++) {
        putchar(*text);
    }
}

static void tell_outputs(bool lamps)
{
    uint8_t slot;

    fputs(lamps ? "lit" : "shown", stdout);
    for (slot = BB_LAMP_SLOT; slot < BB_SLOTS; slot++) {
        if (!bb_text_of(slot) || (slot < BB_DISPLAY_SLOT) != lamps) {
            continue;
        }
        put_id(slot);
        if (lamps) {
            printf("=%u", host_lit(&board, (uint8_t)(slot - BB_LAMP_SLOT)));
        } else {
            uint8_t digit;

            putchar('=');
            for (digit = 0; digit < bb_detail_of(slot); digit++) {
                printf("%02X", host_shown(&board, (uint8_t)(slot - BB_DISPLAY_SLOT), digit));
            }
        }
    }
    putchar('\n');
}

static void move(const char *word, const char *id, long number)
{
    uint8_t slot = slot_named(id);
    bool high = number != 0;

    if (!strcmp(word, "made") && slot < BB_SELECTOR_SLOT) {
        host_pin(&board, slot, high != ((bb_flags_of(slot) & BB_LOW) != 0));
#if PANEL_SELECTORS
    } else if (!strcmp(word, "code") && slot >= BB_SELECTOR_SLOT && slot < BB_ENCODER_SLOT) {
        const bb_selector *selector = &panel_selectors[slot - BB_SELECTOR_SLOT];
        uint8_t n;

        for (n = 0; n < selector->inputs; n++) {
            uint8_t input = (uint8_t)(selector->first + n);

            host_pin(&board, input, ((number >> n & 1) != 0) != ((bb_flags_of(input) & BB_LOW) != 0));
        }
#endif
#if PANEL_ENCODERS
    } else if (!strcmp(word, "ab") && slot >= BB_ENCODER_SLOT && slot < BB_POT_SLOT) {
        host_pin(&board, panel_encoders[slot - BB_ENCODER_SLOT].a, (number & 2) != 0);
        host_pin(&board, panel_encoders[slot - BB_ENCODER_SLOT].b, (number & 1) != 0);
#endif
    } else if (!strcmp(word, "pot") && slot >= BB_POT_SLOT && slot < BB_LAMP_SLOT) {
        hw.pot[slot - BB_POT_SLOT] = (uint16_t)number;
    } else {
        fail(word);
    }
}

static void tell_registers(long number)
{
    uint8_t chip;

    fputs("registers", stdout);
    for (chip = 0; chip != PANEL_DISPLAY_CHIPS; chip++) {
        printf(" %02X", hw.display[number & 15][chip]);
    }
    putchar('\n');
}

static void tell_check(const char *hex)
{
    uint16_t check = 0xFFFFu;

    while (hex && *hex) {
        check = bb_check(check, next_byte(&hex));
    }
    printf("check %04X\n", check);
}

static void reset(const char *word)
{
    static const char *const causes[] = {"power", "reset", "watchdog", "brownout", "unknown"};
    int cause;

    for (cause = 0; cause < 5 && word; cause++) {
        if (!strcmp(word, causes[cause])) {
            begin((bb_cause)cause);
            return;
        }
    }
    fail("reset");
}

static void act(const char *word, const char *first, const char *second)
{
    long number = first ? strtol(first, 0, 10) : 0;

    if (!strcmp(word, "bytes")) {
        while (first && *first) {
            bb_received(&board, next_byte(&first));
        }
    } else if (!strcmp(word, "run")) {
        run((uint64_t)number);
    } else if (!strcmp(word, "reset")) {
        reset(first);
    } else if (!strcmp(word, "blank")) {
        const char *bytes = first;
        size_t n;
        for (n = 0; n < sizeof hw.store; n++) {
            if (!bytes || !*bytes) {
                bytes = first;
            }
            hw.store[n] = first ? next_byte(&bytes) : 0xFF;
        }
    } else if (!strcmp(word, "turns")) {
        turn_us = (uint64_t)number;
    } else if (!strcmp(word, "baud")) {
        baud = number;
    } else if (!strcmp(word, "level")) {
        host_pin(&board, (uint8_t)number, second && second[0] == '1');
    } else if (!strcmp(word, "lit") || !strcmp(word, "shown")) {
        tell_outputs(word[0] == 'l');
    } else if (!strcmp(word, "registers")) {
        tell_registers(number);
    } else if (!strcmp(word, "forget")) {
        memset(hw.display, 0, sizeof hw.display);
    } else if (!strcmp(word, "supply")) {
        hw.supply_mv = (uint16_t)number;
    } else if (!strcmp(word, "duty")) {
        printf("duty %u\n", bb_duty((uint16_t)number));
    } else if (!strcmp(word, "check")) {
        tell_check(first);
    } else if (!strcmp(word, "clock")) {
        hw.clock_us = first ? strtoull(first, 0, 10) : 0;
    } else if (!strcmp(word, "time")) {
        printf("time %llu\n", (unsigned long long)hw.clock_us);
    } else {
        move(word, first, second ? strtol(second, 0, 10) : 0);
    }
}

int main(void)
{
    static char text[65536];

    host_hardware_begin(&hw);
    begin(BB_POWER);
    while (fgets(text, sizeof text, stdin)) {
        char *word = strtok(text, " \n"), *first = strtok(0, " \n"), *second = strtok(0, " \n");

        if (word) {
            act(word, first, second);
            puts("done");
            fflush(stdout);
        }
    }
    return 0;
}
