/* The requests of the control connection (`protocols/hand.md`); those that only the emulator has are in trials.c. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "emulator.h"

#define MOST_BOUNCES 32

static void no(char *answer, size_t room, const char *why)
{
    snprintf(answer, room, "no %s", why);
}

static part_t *need(char *rest, kind_t kind, char *answer, size_t room)
{
    char *id = strtok(rest, " ");
    part_t *part = id ? find_part(id, (int)kind) : NULL;
    if (!part)
        no(answer, room, id ? "no such part of that kind" : "which part?");
    return part;
}

/* --- bounce: a contact that opens and closes at given times --- */

static struct {
    part_t *part;
    uint32_t gap[MOST_BOUNCES];
    int left, at;
} bounces[8];

static uint64_t bounce_step(uint64_t when, void *param)
{
    int slot = (int)(intptr_t)param;
    contact_set(bounces[slot].part, !bounces[slot].part->made);
    if (--bounces[slot].left <= 0) {
        bounces[slot].part = NULL;
        return 0;
    }
    return when + cycles_of(bounces[slot].gap[++bounces[slot].at]);
}

static void bounce(part_t *part, char *answer, size_t room)
{
    char *word;
    int slot = 0;
    while (slot < 8 && bounces[slot].part)
        slot++;
    if (slot == 8) {
        no(answer, room, "eight contacts bounce already");
        return;
    }
    bounces[slot].left = bounces[slot].at = 0;
    while ((word = strtok(NULL, " ")) && bounces[slot].left < MOST_BOUNCES)
        bounces[slot].gap[bounces[slot].left++] = (uint32_t)atoi(word);
    contact_set(part, !part->made);
    if (bounces[slot].left) {
        bounces[slot].part = part;
        call_at(now_cycles() + cycles_of(bounces[slot].gap[0]), bounce_step, (void *)(intptr_t)slot);
    }
}

static size_t shown(const part_t *part, char *answer, size_t room)
{
    size_t length = 0;
    for (int digit = 0; digit < part->digits && length + 3 < room; digit++)
        length += (size_t)snprintf(answer + length, room - length, "%02X", drivers_row(part->first + digit * part->step));
    return length;
}

static void each(kind_t kind, char *answer, size_t room)
{
    size_t length = (size_t)snprintf(answer, room, "ok");
    for (int i = 0; i < bench.parts && length + 40 < room; i++) {
        part_t *part = &bench.part[i];
        if (part->kind != kind)
            continue;
        length += (size_t)snprintf(answer + length, room - length, " %s=", part->id);
        if (kind == DISPLAY)
            length += shown(part, answer + length, room - length);
        else
            length += (size_t)snprintf(answer + length, room - length, "%d", lightness(lamp_duty(part)));
    }
}

/* Colours are not known here, and bit-angle modulation is too fast to flicker. */
static void each_seen(char *answer, size_t room)
{
    size_t length = (size_t)snprintf(answer, room, "ok");
    for (int i = 0; i < bench.parts && length + 60 < room; i++)
        if (bench.part[i].kind == LAMP)
            length += (size_t)snprintf(answer + length, room - length, " %s=%d::steady", bench.part[i].id,
                                       lightness(lamp_duty(&bench.part[i])));
}

static void each_flashes(char *answer, size_t room)
{
    size_t length = (size_t)snprintf(answer, room, "ok");
    for (int i = 0; i < bench.parts && length + 40 < room; i++)
        if (bench.part[i].kind == LAMP)
            length += (size_t)snprintf(answer + length, room - length, " %s=%d", bench.part[i].id, bench.part[i].most_flashes);
}

/* The cause is recorded in MCUSR (both chips: data address 54h; data sheet, MCU status register). */
static bool reset(const char *cause)
{
    static const struct { const char *cause; uint8_t flags; } marks[] = {
        {"power", 1}, {"reset", 2}, {"brownout", 4}, {"watchdog", 8}, {"unknown", 0}};

    for (size_t i = 0; i < sizeof marks / sizeof *marks; i++) {
        if (strcmp(cause ? cause : "reset", marks[i].cause))
            continue;
        stack_depth(); /* before the reset clears memory */
        avr_reset(bench.avr);
        bench.avr->data[0x54] = marks[i].flags;
        if (!i)
            chips_power_up(); /* any other reset leaves the other chips as they are */
        return true;
    }
    return false;
}

void obey(char *text, char *answer, size_t room)
{
    char *word = strtok(text, " \r\n"), *rest = strtok(NULL, "\r\n"), *second;
    part_t *part;

    snprintf(answer, room, "ok");
    if (!word) {
        no(answer, room, "nothing was asked");
    } else if (!strcmp(word, "press") || !strcmp(word, "release")) {
        if ((part = need(rest, CONTACT, answer, room)))
            contact_set(part, word[0] == 'p');
    } else if (!strcmp(word, "bounce")) {
        if ((part = need(rest, CONTACT, answer, room)))
            bounce(part, answer, room);
    } else if (!strcmp(word, "turn")) {
        if ((part = need(rest, ENCODER, answer, room))) {
            second = strtok(NULL, " ");
            encoder_turn(part, (second ? atoi(second) : 0) * part->detent);
            bench.turning = part;
        }
    } else if (!strcmp(word, "jump")) {
        /* Both levels at once, which no encoder can do, but a skipping one seems to. */
        if ((part = need(rest, ENCODER, answer, room))) {
            part->ab ^= 3;
            drive(part->pin, part->ab >> 1);
            drive(part->b, part->ab & 1);
        }
    } else if (!strcmp(word, "put")) {
        if ((part = need(rest, POT, answer, room))) {
            second = strtok(NULL, " ");
            /* Readings of a healthy potentiometer (ten bits), or a share of its travel. */
            double share = !second ? -1.0 : strchr(second, '%') ? atof(second) / 100.0 : atof(second) / 1023.0;
            if (share < 0.0 || share > 1.0)
                no(answer, room, "a potentiometer is put to 0 to 1023, or 0% to 100%");
            else
                pot_put(part, (int)(share * 1000.0 + 0.5));
        }
    } else if (!strcmp(word, "hello")) {
        snprintf(answer, room, "ok hand 1 %s", bench.name[0] ? bench.name : "board");
    } else if (!strcmp(word, "seen")) {
        each_seen(answer, room);
    } else if (!strcmp(word, "lit")) {
        each(LAMP, answer, room);
    } else if (!strcmp(word, "shown")) {
        if (!rest)
            each(DISPLAY, answer, room);
        else if ((part = need(rest, DISPLAY, answer, room)))
            shown(part, answer + snprintf(answer, room, "ok %s=", part->id), room - 24);
    } else if (!strcmp(word, "flashes")) {
        each_flashes(answer, room);
    } else if (!strcmp(word, "time")) {
        snprintf(answer, room, "ok %llu", (unsigned long long)now_us());
    } else if (!strcmp(word, "reset")) {
        if (!reset(rest))
            no(answer, room, "a reset is reset, power, brownout, watchdog or unknown");
    } else if (!strcmp(word, "supply")) {
        int millivolts = rest ? atoi(rest) : 0;
        if (millivolts < 1000 || millivolts > 6000)
            no(answer, room, "a supply is 1000 to 6000 mV");
        else
            bench.avr->vcc = bench.avr->avcc = bench.avr->aref = (uint32_t)millivolts;
    } else if (!strcmp(word, "faults") || !strcmp(word, "clear")) {
        /* The emulated panel has no faults of its own. */
    } else if (!obey_trial(word, rest, answer, room)) {
        no(answer, room, "unknown word, or no such part");
    }
}
