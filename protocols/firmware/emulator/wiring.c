/* The wiring file has one part or chain per line:
 *
 *   board lighting
 *   chain165 data=B4 clock=B5 load=B2 chips=1
 *   chain595 data=B3 clock=B5 load=B2 chips=1 enable=B1     enable: OE, with a pull-up; may be left out
 *   chain7219 data=B3 clock=B5 load=B2 chips=2
 *   matrix rows=B0,B1 columns=C0,C1 diodes=1
 *   contact sw1 pin=D4              made is low (the usual way: to ground, with a pull-up); high=1: made is high
 *   contact sw2 chain=3             bit 3 of the 165 chain
 *   contact k5 row=1 column=0       of the matrix
 *   encoder e1 a=D2 b=D3 detent=4
 *   encoder e2 achain=4 bchain=5   behind the 165 chain
 *   pot p1 adc=1
 *   lamp l1 pin=D5                  low=1: lit when low
 *   lamp l2 chain=0                 bit 0 of the 595 chain
 *   display d1 first=0 digits=3 step=1
 *
 * Pins are port letter and bit; `#` begins a comment. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "emulator.h"

static const char *file;
static int number;

static void wrong(const char *what, const char *found)
{
    fprintf(stderr, "emulator: %s:%d: %s '%s'\n", file, number, what, found);
    exit(2);
}

static pin_t pin_of(const char *text)
{
    pin_t pin = {0, 0};
    if (text[0] < 'A' || text[0] > 'L' || text[1] < '0' || text[1] > '7' || text[2])
        wrong("a pin is a port letter and a bit, not", text);
    pin.port = text[0];
    pin.bit = text[1] - '0';
    return pin;
}

static int pins_of(char *text, pin_t *pins)
{
    int count = 0;
    char *rest = NULL;
    for (char *one = strtok_r(text, ",", &rest); one && count < 8; one = strtok_r(NULL, ",", &rest))
        pins[count++] = pin_of(one);
    return count;
}

part_t *find_part(const char *id, int kind)
{
    for (int i = 0; i < bench.parts; i++)
        if (!strcmp(bench.part[i].id, id) && (kind < 0 || (int)bench.part[i].kind == kind))
            return &bench.part[i];
    return NULL;
}

/* One `key=value` of a line; `part` is NULL for a chain, `what` the line's first word. */
static void take(const char *what, part_t *part, char *key, char *value)
{
    int n = atoi(value);
    pin_t *data = NULL, *clock = NULL, *load = NULL;

    if (!strcmp(what, "chain165"))
        data = &bench.in.data, clock = &bench.in.clock, load = &bench.in.load;
    else if (!strcmp(what, "chain595"))
        data = &bench.out.data, clock = &bench.out.clock, load = &bench.out.latch;
    else if (!strcmp(what, "chain7219"))
        data = &bench.drivers.data, clock = &bench.drivers.clock, load = &bench.drivers.load;

    if (data && !strcmp(key, "data"))
        *data = pin_of(value);
    else if (data && !strcmp(key, "clock"))
        *clock = pin_of(value);
    else if (data && !strcmp(key, "load"))
        *load = pin_of(value);
    else if (data == &bench.out.data && !strcmp(key, "enable"))
        bench.out.enable = pin_of(value);
    else if (data && !strcmp(key, "chips") && n >= 1 && n <= MOST_DRIVERS) {
        if (data == &bench.in.data)
            bench.in.bits = n * 8;
        else if (data == &bench.out.data)
            bench.out.bits = n * 8;
        else
            bench.drivers.chips = n;
    } else if (!strcmp(what, "matrix") && !strcmp(key, "rows"))
        bench.matrix.rows = pins_of(value, bench.matrix.row);
    else if (!strcmp(what, "matrix") && !strcmp(key, "columns"))
        bench.matrix.columns = pins_of(value, bench.matrix.column);
    else if (!strcmp(what, "matrix") && !strcmp(key, "diodes"))
        bench.matrix.diodes = n != 0;
    else if (part && (!strcmp(key, "pin") || !strcmp(key, "a")))
        part->pin = pin_of(value);
    else if (part && !strcmp(key, "b"))
        part->b = pin_of(value);
    else if (part && (!strcmp(key, "chain") || !strcmp(key, "achain")))
        part->chain = n;
    else if (part && !strcmp(key, "bchain"))
        part->chain_b = n;
    else if (part && !strcmp(key, "row"))
        part->row = n;
    else if (part && !strcmp(key, "column"))
        part->column = n;
    else if (part && !strcmp(key, "adc"))
        part->adc = n;
    else if (part && !strcmp(key, "detent"))
        part->detent = n;
    else if (part && !strcmp(key, "high"))
        part->low = !n;
    else if (part && !strcmp(key, "low"))
        part->low = n != 0;
    else if (part && !strcmp(key, "first"))
        part->first = n;
    else if (part && !strcmp(key, "digits"))
        part->digits = n;
    else if (part && !strcmp(key, "step"))
        part->step = n;
    else
        wrong("unknown or wrong:", key);
}

void read_wiring(const char *path)
{
    static const char *const kinds[] = {"contact", "encoder", "pot", "lamp", "display"};
    char text[256];
    FILE *in = fopen(path, "r");

    file = path;
    if (!in) {
        fprintf(stderr, "emulator: %s: cannot be read\n", path);
        exit(2);
    }
    bench.matrix.diodes = true;
    while (fgets(text, sizeof text, in)) {
        char *rest = NULL, *what;
        part_t *part = NULL;

        number++;
        if (strchr(text, '#'))
            *strchr(text, '#') = 0;
        what = strtok_r(text, " \t\r\n", &rest);
        if (!what)
            continue;
        for (int kind = 0; kind < 5; kind++) {
            if (strcmp(what, kinds[kind]))
                continue;
            char *id = strtok_r(NULL, " \t\r\n", &rest);
            if (!id || bench.parts == MOST_PARTS)
                wrong("no id, or too many parts, after", what);
            part = &bench.part[bench.parts++];
            part->kind = (kind_t)kind;
            snprintf(part->id, sizeof part->id, "%s", id);
            part->chain = part->chain_b = part->row = part->column = -1;
            part->low = kind == CONTACT;
            part->detent = 4;
            part->step = 1;
        }
        if (!strcmp(what, "board")) {
            char *name = strtok_r(NULL, " \t\r\n", &rest);
            snprintf(bench.name, sizeof bench.name, "%s", name ? name : "board");
            continue;
        }
        if (!part && strncmp(what, "chain", 5) && strcmp(what, "matrix"))
            wrong("unknown:", what);
        for (char *word; (word = strtok_r(NULL, " \t\r\n", &rest));) {
            char *value = strchr(word, '=');
            if (!value)
                wrong("not key=value:", word);
            *value++ = 0;
            take(what, part, word, value);
        }
    }
    fclose(in);
}
