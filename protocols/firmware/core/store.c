/* What is kept without power: boot number, ident and name.
 *
 * The boot number uses 32 places in turn, so that a cell is written at every 32nd reset only (an EEPROM cell endures
 * 100 000 writes: over three million resets). The newest number is the one whose successor is not in the next place.
 *
 * Each text has a check behind it that another sketch's bytes will not match by chance, and must have the form of an ident or
 * a name. So what another program left here, or a failing supply corrupted, is never reported; the board then goes by the
 * ident and name of its panel map. The first letter of a text is blanked before writing and written last, so that a write
 * that is cut short leaves no text. A boot number may be any number: the board goes on from whatever is in its places. */
#include <string.h>

#include "inside.h"

#define BOOT_BYTES 64u

#define IDENT_LENGTH 16u
#define NAME_LENGTH 24u
#define CHECK_LENGTH 2u
#define IDENT_AT BOOT_BYTES
#define NAME_AT (IDENT_AT + IDENT_LENGTH + CHECK_LENGTH)
#define BLANK 0xFFu   /* no text begins with this byte */
#define MAGIC 0xB0A4u /* checks start from this, not from the FFFFh of lines, so that blank and cleared cells do not match */

typedef char store_size_is_told[NAME_AT + NAME_LENGTH + CHECK_LENGTH == BB_STORE_BYTES ? 1 : -1];

static uint8_t length_of(bool name)
{
    return name ? NAME_LENGTH : IDENT_LENGTH;
}

static void keep(bb_board *b, uint8_t at, uint8_t value)
{
    while (!hal_store_ready(b)) {
    }
    if (hal_store_read(b, at) != value) {
        hal_store_write(b, at, value);
    }
}

static uint16_t boot_at(bb_board *b, uint8_t at)
{
    at %= BOOT_BYTES;
    return (uint16_t)(hal_store_read(b, at) | (uint16_t)hal_store_read(b, (uint8_t)(at + 1u)) << 8);
}

void bb_store_begin(bb_board *b)
{
    uint16_t boot = boot_at(b, 0);
    uint8_t at = 0;

    do {
        at = (uint8_t)(at + 2u);
        boot++;
    } while (at < BOOT_BYTES && boot_at(b, at) == boot);
    at %= BOOT_BYTES;
    b->counters[BB_BOOT] = (uint16_t)(boot + 1u); /* blank cells read FFFFh: the first boot has number 1 */
    keep(b, at, (uint8_t)boot);
    keep(b, (uint8_t)(at + 1u), (uint8_t)(boot >> 8));
}

/* Returns the check of a text padded to `length` letters. */
static uint16_t check_of(const char *text, uint8_t length)
{
    uint16_t check = MAGIC;

    for (; length; length--) {
        check = bb_check(check, (uint8_t)*text);
        if (*text) {
            text++;
        }
    }
    return check;
}

/* Returns true if this board has stored the text, which goes to `text` (room for a name and its end). */
static bool stored(bb_board *b, bool name, char *text)
{
    uint8_t at = name ? NAME_AT : IDENT_AT, length = length_of(name), n;

    for (n = 0; n < length; n++) {
        text[n] = (char)hal_store_read(b, (uint8_t)(at + n));
    }
    text[length] = 0;
    at = (uint8_t)(at + length);
    return text[0] && check_of(text, length) == (uint16_t)(hal_store_read(b, at) | hal_store_read(b, (uint8_t)(at + 1u)) << 8)
        && (name ? bb_text_good(text) : bb_ident_good(text));
}

void bb_put_stored(bb_board *b, bool name)
{
    char text[NAME_LENGTH + 1u];

    if (stored(b, name, text)) {
        bb_put_text(b, text);
    } else {
        bb_put_flash(b, name ? panel_name : panel_ident);
    }
}

/* Writes one byte per call, so that scanning, notifications and dark go on while the chip writes. */
bool bb_store_step(bb_board *b, bool name, const char *text)
{
    uint8_t at = name ? NAME_AT : IDENT_AT, length = length_of(name), step = b->store_step;
    uint16_t check;

    if (!hal_store_ready(b)) {
        return false;
    }
    if (step == 0) {
        keep(b, at, BLANK);
    } else if (step < length) {
        keep(b, (uint8_t)(at + step), step <= strlen(text) ? (uint8_t)text[step] : 0);
    } else if (step < length + CHECK_LENGTH) {
        check = check_of(text, length);
        keep(b, (uint8_t)(at + step), (uint8_t)(step == length ? check : check >> 8));
    } else {
        keep(b, at, (uint8_t)text[0]);
        return true;
    }
    b->store_step++;
    return false;
}
