/* What outlives a loss of power: boot number, ident and name.
 *
 * The boot number goes through 32 places in turn, so that a cell is written every 32nd reset only (an EEPROM cell stands
 * 100 000 writes: over three million resets). The newest is the one that its successor does not go on from.
 *
 * A text is written with its first letter last, and that letter is blotted out before: if the power fails in between, the
 * board goes back to what its panel map says. */
#include <string.h>

#include "inside.h"

#define BOOT_BYTES 64u

#define IDENT_LENGTH 16u
#define NAME_LENGTH 24u
#define IDENT_AT BOOT_BYTES
#define NAME_AT (IDENT_AT + IDENT_LENGTH)
#define BLANK 0xFFu /* as a cell comes from the factory */

typedef char store_size_is_told[NAME_AT + NAME_LENGTH == BB_STORE_BYTES ? 1 : -1];

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

void bb_put_stored(bb_board *b, bool name)
{
    uint8_t at = name ? NAME_AT : IDENT_AT, end = name ? BB_STORE_BYTES : NAME_AT;
    char c;

    if (hal_store_read(b, at) == BLANK) {
        bb_put_flash(b, name ? panel_name : panel_ident);
        return;
    }
    while (at < end && (c = (char)hal_store_read(b, at)) > ' ') {
        bb_put(b, c);
        at++;
    }
}

/* One byte a call, so that scanning, news and dark go on while the chip writes. */
bool bb_store_step(bb_board *b, bool name, const char *text)
{
    uint8_t at = name ? NAME_AT : IDENT_AT, length = name ? NAME_LENGTH : IDENT_LENGTH, step = b->store_step;

    if (!hal_store_ready(b)) {
        return false;
    }
    if (step == 0) {
        keep(b, at, BLANK);
    } else if (step < length) {
        keep(b, (uint8_t)(at + step), step <= strlen(text) ? (uint8_t)text[step] : 0);
    } else {
        keep(b, at, (uint8_t)text[0]);
        return true;
    }
    b->store_step++;
    return false;
}
