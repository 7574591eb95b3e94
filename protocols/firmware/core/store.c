/* What outlives a loss of power: boot number, ident and name.
 *
 * The boot number goes through 32 places in turn, so that a cell is written every 32nd reset only (an EEPROM cell stands
 * 100 000 writes: over three million resets). Ident and name have two banks each: a new text is written into the one not in
 * use, its check last, so that a loss of power leaves the old one. A text that is the same already is not written again. */
#include <string.h>

#include "inside.h"

#define BOOT_PLACES 32u
#define BOOT_BYTES 3u /* number (2), check (1) */

/* A bank: sequence (1), text filled up with zeros, check (2). */
#define TEXTS_AT (BOOT_PLACES * BOOT_BYTES)
#define IDENT_LENGTH 16u
#define NAME_LENGTH 24u
#define BANK_BYTES(length) ((length) + 3u)
#define NAMES_AT (TEXTS_AT + 2u * BANK_BYTES(IDENT_LENGTH))

typedef char store_size_is_told[NAMES_AT + 2u * BANK_BYTES(NAME_LENGTH) == BB_STORE_BYTES ? 1 : -1];

static uint8_t boot_check(uint16_t number)
{
    return (uint8_t)bb_check(bb_check(0x5A5Au, (uint8_t)number), (uint8_t)(number >> 8));
}

static void write_and_wait(bb_board *b, uint8_t at, uint8_t value)
{
    while (!hal_store_ready(b)) {
    }
    if (hal_store_read(b, at) != value) {
        hal_store_write(b, at, value);
        while (!hal_store_ready(b)) {
        }
    }
}

static void next_boot(bb_board *b)
{
    uint8_t place, at = 0, newest = BOOT_PLACES - 1u;
    bool any = false;

    for (place = 0; place < BOOT_PLACES; place++, at = (uint8_t)(at + BOOT_BYTES)) {
        uint16_t number = (uint16_t)(hal_store_read(b, at) | hal_store_read(b, (uint8_t)(at + 1u)) << 8);

        if (hal_store_read(b, (uint8_t)(at + 2u)) == boot_check(number)
            && (!any || (int16_t)(uint16_t)(number - b->boot) > 0)) {
            any = true;
            b->boot = number;
            newest = place;
        }
    }
    b->boot++;
    at = (uint8_t)((newest + 1u) % BOOT_PLACES * BOOT_BYTES);
    write_and_wait(b, at, (uint8_t)b->boot);
    write_and_wait(b, (uint8_t)(at + 1u), (uint8_t)(b->boot >> 8));
    write_and_wait(b, (uint8_t)(at + 2u), boot_check(b->boot));
}

static uint8_t bank_at(bool name, uint8_t bank)
{
    return (uint8_t)(name ? NAMES_AT + bank * BANK_BYTES(NAME_LENGTH) : TEXTS_AT + bank * BANK_BYTES(IDENT_LENGTH));
}

static uint8_t text_length(bool name)
{
    return name ? NAME_LENGTH : IDENT_LENGTH;
}

static bool bank_good(bb_board *b, bool name, uint8_t bank)
{
    uint8_t at = bank_at(name, bank), left;
    uint16_t check = 0xFFFFu;

    if (hal_store_read(b, (uint8_t)(at + 1u)) == 0xFF) {
        return false; /* never written */
    }
    for (left = (uint8_t)(text_length(name) + 1u); left; left--) {
        check = bb_check(check, hal_store_read(b, at++));
    }
    return hal_store_read(b, at) == (uint8_t)(check >> 8) && hal_store_read(b, (uint8_t)(at + 1u)) == (uint8_t)check;
}

static uint8_t find_bank(bb_board *b, bool name)
{
    bool first = bank_good(b, name, 0), second = bank_good(b, name, 1);
    uint8_t ahead
        = (uint8_t)(hal_store_read(b, bank_at(name, 1)) - hal_store_read(b, bank_at(name, 0))); /* of the first */

    if (first && second) {
        return ahead < 128u;
    }
    return first ? 0 : second ? 1 : BB_NONE;
}

void bb_store_begin(bb_board *b)
{
    next_boot(b);
    b->store_ident = find_bank(b, false);
    b->store_name = find_bank(b, true);
}

static uint8_t *bank_in_use(bb_board *b, bool name)
{
    return name ? &b->store_name : &b->store_ident;
}

static char stored_letter(bb_board *b, bool name, uint8_t n)
{
    uint8_t bank = *bank_in_use(b, name);

    if (n >= text_length(name)) {
        return 0;
    }
    if (bank == BB_NONE) {
        return (char)bb_flash_byte((name ? panel_name : panel_ident) + n);
    }
    return (char)hal_store_read(b, (uint8_t)(bank_at(name, bank) + 1u + n));
}

void bb_put_stored(bb_board *b, bool name)
{
    uint8_t n;
    char c;

    for (n = 0; (c = stored_letter(b, name, n)) != 0; n++) {
        bb_put(b, c);
    }
}

static bool is_stored(bb_board *b, bool name, const char *text)
{
    uint8_t n = 0;

    while (text[n] && text[n] == stored_letter(b, name, n)) {
        n++;
    }
    return text[n] == 0 && stored_letter(b, name, n) == 0;
}

void bb_store_start(bb_board *b)
{
    b->store_step = 0;
}

/* One byte a call, so that scanning, news and dark go on while the chip writes. */
bool bb_store_step(bb_board *b, bool name, const char *text)
{
    uint8_t *in_use = bank_in_use(b, name);
    uint8_t bank = *in_use == 0 ? 1 : 0, at = bank_at(name, bank), step = b->store_step, length = text_length(name);
    uint8_t value;

    if (!hal_store_ready(b)) {
        return false;
    }
    if (step == 0) {
        if (is_stored(b, name, text)) {
            return true;
        }
        value = *in_use == BB_NONE ? 0 : (uint8_t)(hal_store_read(b, bank_at(name, *in_use)) + 1u);
        b->store_check = 0xFFFFu;
    } else if (step <= length) {
        size_t n = strlen(text);

        value = step <= n ? (uint8_t)text[step - 1u] : 0;
    } else if (step == length + 1u) {
        value = (uint8_t)(b->store_check >> 8);
    } else if (step == length + 2u) {
        value = (uint8_t)b->store_check;
    } else {
        *in_use = bank;
        return true;
    }
    if (step <= length) {
        b->store_check = bb_check(b->store_check, value);
    }
    if (hal_store_read(b, (uint8_t)(at + step)) != value) {
        hal_store_write(b, (uint8_t)(at + step), value);
    }
    b->store_step++;
    return false;
}
