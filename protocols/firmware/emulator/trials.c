/* Requests that only the emulator has: for what cannot be done to a real board, or not be seen by eye. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_eeprom.h>

#include "emulator.h"

/* --- chatter: a contact that changes again and again --- */

static struct chatter {
    part_t *part;
    long left;
    uint64_t period;
} chatters[8];

static uint64_t chatter_step(uint64_t when, void *param)
{
    struct chatter *c = param;
    contact_set(c->part, !c->part->made);
    if (--c->left > 0)
        return when + c->period;
    c->part = NULL;
    return 0;
}

static const char *chatter(part_t *part, long times, double period_us)
{
    int slot = 0;
    if (times < 1 || period_us < 1.0)
        return "chatter ID TIMES MICROSECONDS";
    while (slot < 8 && chatters[slot].part)
        slot++;
    if (slot == 8)
        return "eight contacts chatter already";
    chatters[slot] = (struct chatter){part, times, cycles_of(period_us)};
    call_at(now_cycles() + chatters[slot].period, chatter_step, &chatters[slot]);
    return NULL;
}

/* --- a potentiometer whose wiper is never quite still --- */

static uint64_t noise_step(uint64_t when, void *param)
{
    static uint32_t random = 12345;
    part_t *part = param;
    int still = part->millivolts;

    random = random * 1664525u + 1013904223u; /* the same numbers in each run */
    if (part->noise_mv)
        pot_millivolts(part, still + (int)((random >> 16) % (unsigned)(2 * part->noise_mv + 1)) - part->noise_mv);
    part->millivolts = still;
    return part->noise_mv ? when + cycles_of(130.0) : 0;
}

/* --- a host that keeps the window full: the same request again, as soon as an answer has made room --- */

static struct {
    char text[128];
    size_t length, room, out;
    unsigned long sent, answered;
} window;

static void window_fill(void)
{
    while (window.length && window.out + window.length <= window.room) {
        line_put((const uint8_t *)window.text, window.length);
        window.out += window.length;
        window.sent++;
    }
}

void window_answered(void)
{
    if (!window.out)
        return;
    window.answered++;
    window.out -= window.out < window.length ? window.out : window.length;
    window_fill();
}

static void window_set(const char *words)
{
    char *text;
    window.room = (size_t)strtol(words ? words : "0", &text, 10);
    if (window.room)
        snprintf(window.text, sizeof window.text, "%s\n", *text ? text + 1 : text);
    window.length = strlen(window.text);
    window_fill();
}

/* --- */

bool obey_trial(const char *word, char *rest, char *answer, size_t room)
{
    char *id = rest ? strtok(rest, " ") : NULL, *second = id ? strtok(NULL, "") : NULL, *third = NULL;
    part_t *part = id ? find_part(id, -1) : NULL;
    double us = 1e6 / bench.avr->frequency;

    if (!strcmp(word, "chatter") && part && part->kind == CONTACT) {
        long times = second ? strtol(second, &third, 10) : 0;
        const char *wrong = chatter(part, times, third ? atof(third) : 0.0);
        if (wrong)
            snprintf(answer, room, "no %s", wrong);
    } else if (!strcmp(word, "noise") && part && part->kind == POT) {
        bool was = part->noise_mv;
        part->noise_mv = second ? atoi(second) : 0;
        if (!was && part->noise_mv)
            call_at(now_cycles() + 1, noise_step, part);
    } else if (!strcmp(word, "modulation") && part && part->kind == LAMP) {
        /* The longest time between two moments of coming on, since this was last asked. */
        snprintf(answer, room, "ok rises=%d longest=%.1f", part->rises, (double)part->longest_rise * us);
        part->rises = 0;
        part->longest_rise = 0;
    } else if (!strcmp(word, "since") && part && part->kind == LAMP) {
        /* On or off at this moment, and since when. */
        snprintf(answer, room, "ok lit=%d since=%llu", part->lit, (unsigned long long)us_of(part->since_change));
    } else if (!strcmp(word, "duty") && part && part->kind == LAMP) {
        snprintf(answer, room, "ok %.5f", lamp_duty(part));
    } else if (!strcmp(word, "window")) {
        if (id && second)
            id[strlen(id)] = ' '; /* the request's own spaces */
        window_set(id);
    } else if (!strcmp(word, "windows")) {
        snprintf(answer, room, "ok sent=%lu answered=%lu", window.sent, window.answered);
    } else if (!strcmp(word, "clock")) {
        /* When the board's clock was 0, in microseconds since power-up. */
        snprintf(answer, room, "ok %.4f", (double)bench.clock_zero * us);
    } else if (!strcmp(word, "poke") && id && second) {
        /* Overwrite a register or a byte of memory, as a program out of control might. */
        unsigned address = (unsigned)strtoul(id, NULL, 16);
        avr_core_watch_write(bench.avr, (uint16_t)address, (uint8_t)strtoul(second, NULL, 16));
    } else if (!strcmp(word, "erase")) {
        /* Fill the EEPROM: as it comes from the factory, or with these bytes (hex), repeated, as another sketch may leave it. */
        uint8_t all[4096];
        avr_eeprom_desc_t memory = {.ee = all, .offset = 0, .size = bench.avr->e2end + 1u};
        const char *bytes = id && strlen(id) > 1 ? id : "FF";
        size_t each = strlen(bytes) / 2, n;
        for (n = 0; n < memory.size; n++) {
            char two[3] = {bytes[n % each * 2], bytes[n % each * 2 + 1], 0};
            all[n] = (uint8_t)strtoul(two, NULL, 16);
        }
        avr_ioctl(bench.avr, AVR_IOCTL_EEPROM_SET, &memory);
    } else if (!strcmp(word, "resets")) {
        snprintf(answer, room, "ok %d", bench.resets);
    } else if (!strcmp(word, "overruns")) {
        snprintf(answer, room, "ok lost=%lu received=%lu", line_overruns(), line_received());
    } else if (!strcmp(word, "stack")) {
        snprintf(answer, room, "ok %d", stack_depth());
    } else if (!strcmp(word, "scans")) {
        uint64_t span = bench.in.last_load - bench.in.first_load;
        snprintf(answer, room, "ok count=%d mean=%.2f shortest=%.2f longest=%.2f", bench.in.loads,
                 bench.in.loads > 2 ? (double)span * us / (bench.in.loads - 2) : 0.0, (double)bench.in.shortest * us,
                 (double)bench.in.longest * us);
    } else if (!strcmp(word, "scans_anew")) {
        bench.in.loads = 0;
        bench.in.shortest = bench.in.longest = 0;
    } else if (!strcmp(word, "pc")) {
        /* The program counter, for addr2line, when something hangs. */
        snprintf(answer, room, "ok %05x", (unsigned)bench.avr->pc);
    } else if (!strcmp(word, "drivers")) {
        snprintf(answer, room, "ok writes=%lu control=%lu", bench.drivers.writes, bench.drivers.control_writes);
    } else if (!strcmp(word, "dip")) {
        chips_power_up(); /* the supply dips: the other chips lose their state, the microcontroller runs on */
    } else {
        return false;
    }
    return true;
}
