/* Slots, ids and items: what this board has. Slots number every input, selector, encoder, pot, lamp output and display,
 * spare ones included; items are the host's numbers, without the spare ones and after the four items about the board. */
#include "inside.h"

#define BOARD_ITEMS 4u

const uint8_t bb_bits[8] BB_FLASH = {1, 2, 4, 8, 16, 32, 64, 128};

const char *bb_text_of(uint8_t slot)
{
    return (const char *)bb_flash_pointer(&panel_slots[slot].text);
}

uint16_t bb_detail_of(uint8_t slot)
{
    return bb_flash_word(&panel_slots[slot].detail);
}

const char *bb_skip_text(const char *table)
{
    while (bb_flash_byte(table++)) {
    }
    return table;
}

const char *bb_nth_text(const char *table, uint8_t n)
{
    while (n--) {
        table = bb_skip_text(table);
    }
    return table;
}

uint16_t *bb_value_of(bb_board *b, uint8_t slot)
{
    return &b->value[slot - BB_SELECTOR_SLOT];
}

uint8_t bb_id_length(uint8_t slot)
{
    const char *text = bb_text_of(slot);
    uint8_t n = 0;

    while ((char)bb_flash_byte(text) > ' ') {
        text++;
        n++;
    }
    return n;
}

const char *bb_same(const char *text, const char *word)
{
    char c;

    while ((c = (char)bb_flash_byte(text++)) == *word && c != 0) {
        word++;
    }
    return (*word == 0 || *word == '=') && c <= ' ' ? word : 0;
}

uint8_t bb_find(const char *id)
{
    uint8_t slot;

    for (slot = 0; slot < BB_SLOTS; slot++) {
        const char *text = bb_text_of(slot);

        if (text && bb_same(text, id)) {
            return slot;
        }
    }
    return BB_NONE;
}

uint8_t bb_slot_of_item(uint8_t item)
{
    uint8_t slot, left = item < BOARD_ITEMS ? 0 : (uint8_t)(item - BOARD_ITEMS);

    for (slot = 0; slot < BB_SLOTS; slot++) {
        if (bb_text_of(slot) != 0 && left-- == 0) {
            break;
        }
    }
    return slot;
}

enum { CONTACT, SELECTOR, ENCODER, POT, LAMP, DISPLAY };

static uint8_t kind_of(uint8_t slot)
{
    static const uint8_t ends[5] BB_FLASH = {BB_SELECTOR_SLOT, BB_ENCODER_SLOT, BB_POT_SLOT, BB_LAMP_SLOT, BB_DISPLAY_SLOT};
    uint8_t kind;

    for (kind = CONTACT; kind < DISPLAY && slot >= bb_flash_byte(&ends[kind]); kind++) {
    }
    return kind;
}

static void put_channel(bb_board *b, uint8_t slot)
{
    /* How the number of a detail is written, by kind: its key, and its digits. */
    static const char kinds[] BB_FLASH = "contact\0selector\0encoder\0pot\0lamp\0display";
    static const char keys[] BB_FLASH = "4 deb=\0" "1 pos=\0" "1 det=\0" "4 top=\0\0" "1 digits=";
    uint8_t kind = kind_of(slot), flags = 0;
    uint16_t detail = bb_detail_of(slot);
    const char *key = bb_nth_text(keys, kind), *flag = BB_TEXT(" inv=1\0\0 raw=1\0 raw=2\0\0 dim=1");

    bb_put_flash(b, bb_nth_text(kinds, kind));
    bb_put_id(b, slot);
    if (kind != POT) {
        flags = (uint8_t)(detail >> 8);
        detail &= 0xFFu;
    }
    for (; flags; flags >>= 1, flag = bb_skip_text(flag)) {
        if (flags & 1u) {
            bb_put_flash(b, flag);
        }
    }
#if PANEL_DARK_INPUT != 0xFF
    if (slot == PANEL_DARK_INPUT) {
        bb_put_flash(b, BB_TEXT(" dark=1"));
    }
#endif
    if (bb_flash_byte(key)) {
        bb_put_flash(b, key + 1);
        bb_put_digits(b, detail, bb_flash_byte(key) & 15u);
    }
    bb_put_words(b, slot);
}

void bb_item(bb_board *b, uint8_t item)
{
    if (item == 0) {
        bb_put_flash(b, BB_TEXT("board ident="));
        bb_put_stored(b, false);
        bb_put_flash(b, BB_TEXT(" name="));
        bb_put_stored(b, true);
    } else if (item == 1) {
        bb_put_flash(b, BB_TEXT("model "));
        bb_put_flash(b, panel_model);
    } else if (item < BOARD_ITEMS) {
        bb_put_flash(b, item == 2 ? BB_TEXT("firmware text=benchboard version=" BB_VERSION) : BB_TEXT("clock tick=01"));
    } else {
        put_channel(b, bb_slot_of_item(item));
    }
}

uint8_t bb_value_width(uint8_t slot)
{
    static const uint8_t widths[5] BB_FLASH = {1, 1, 4, 4, 3};
    uint8_t kind = kind_of(slot);

    return kind == DISPLAY ? (uint8_t)(bb_detail_of(slot) * 2u) : bb_flash_byte(&widths[kind]);
}

void bb_put_setting(bb_board *b, uint8_t slot)
{
    uint8_t width = bb_value_width(slot), digit, before;
    uint16_t value;

    bb_put_id(b, slot);
    bb_put(b, '=');
    if (slot >= BB_DISPLAY_SLOT) {
        for (digit = 0; digit < width / 2u; digit++) {
            bb_put_digits(b, *bb_digit(b, (uint8_t)(slot - BB_DISPLAY_SLOT), digit), 2);
        }
        return;
    }
    before = hal_hold();
    if (slot < BB_SELECTOR_SLOT) {
        value = (b->group[slot >> 3].made & bb_bit(slot)) != 0;
    } else {
        value = *bb_value_of(b, slot);
    }
    hal_release(before);
    bb_put_digits(b, value, width);
}
