/* Slots, ids and items: what this board has. A slot is one number for every input, selector, encoder, pot, lamp output and
 * display, spare ones included; an item is what the host counts, without the spare ones and after the four about the board. */
#include "inside.h"

#define BOARD_ITEMS 4u

const uint8_t bb_bits[8] BB_FLASH = {1, 2, 4, 8, 16, 32, 64, 128};

const char *bb_text_of(uint8_t slot)
{
    if (slot < BB_SELECTOR_SLOT) {
        return (const char *)bb_flash_pointer(&panel_contacts[slot].text);
    }
#if PANEL_SELECTORS
    if (slot < BB_ENCODER_SLOT) {
        return (const char *)bb_flash_pointer(&panel_selectors[slot - BB_SELECTOR_SLOT].text);
    }
#endif
#if PANEL_ENCODERS
    if (slot < BB_POT_SLOT) {
        return (const char *)bb_flash_pointer(&panel_encoders[slot - BB_ENCODER_SLOT].text);
    }
#endif
#if PANEL_POTS
    if (slot < BB_LAMP_SLOT) {
        return (const char *)bb_flash_pointer(&panel_pots[slot - BB_POT_SLOT].text);
    }
#endif
#if PANEL_LAMP_BYTES
    if (slot < BB_DIGITS_SLOT) {
        return (const char *)bb_flash_pointer(&panel_lamps[slot - BB_LAMP_SLOT].text);
    }
#endif
#if PANEL_DIGITS
    if (slot < BB_SLOTS) {
        return (const char *)bb_flash_pointer(&panel_digits[slot - BB_DIGITS_SLOT].text);
    }
#endif
    return 0;
}

uint8_t bb_find(const char *id)
{
    uint8_t slot;

    for (slot = 0; slot < BB_SLOTS; slot++) {
        const char *text = bb_text_of(slot);
        const char *at = id;
        char c;

        if (text == 0) {
            continue;
        }
        while ((c = (char)bb_flash_byte(text)) == *at && c != 0) {
            text++;
            at++;
        }
        if (*at == 0 && at != id && (c == ' ' || c == 0)) {
            return slot;
        }
    }
    return BB_NONE;
}

uint8_t bb_slot_of_item(uint8_t item)
{
    uint8_t slot;
    uint8_t left = item < BOARD_ITEMS ? 0 : (uint8_t)(item - BOARD_ITEMS);

    for (slot = 0; slot < BB_SLOTS; slot++) {
        if (bb_text_of(slot) != 0 && left-- == 0) {
            break;
        }
    }
    return slot;
}

static void put_flags(bb_board *b, uint8_t flags)
{
    if (flags & BB_LOW) {
        bb_put_flash(b, BB_TEXT(" inv=1"));
    }
    if (flags & (BB_RAW_PIN | BB_RAW_SCAN)) {
        bb_put_flash(b, (flags & BB_RAW_PIN) ? BB_TEXT(" raw=1") : BB_TEXT(" raw=2"));
    }
}

static void put_channel(bb_board *b, uint8_t slot)
{
    static const char kinds[6][10] BB_FLASH = {"contact", "selector", "encoder", "pot", "lamp", "digits"};
    uint8_t kind = (uint8_t)((slot >= BB_SELECTOR_SLOT) + (slot >= BB_ENCODER_SLOT) + (slot >= BB_POT_SLOT)
                             + (slot >= BB_LAMP_SLOT) + (slot >= BB_DIGITS_SLOT));

    bb_put_flash(b, kinds[kind]);
    bb_put_id(b, slot);
    switch (kind) {
    case 0:
        put_flags(b, bb_flash_byte(&panel_contacts[slot].flags));
        bb_put_flash(b, BB_TEXT(" deb="));
        bb_put_hex(b, bb_flash_word(&panel_contacts[slot].ms), 4);
        break;
#if PANEL_SELECTORS
    case 1:
        bb_put_flash(b, BB_TEXT(" pos="));
        bb_put_hex(b, bb_flash_byte(&panel_selectors[slot - BB_SELECTOR_SLOT].positions), 1);
        break;
#endif
#if PANEL_ENCODERS
    case 2:
        put_flags(b, bb_flash_byte(&panel_encoders[slot - BB_ENCODER_SLOT].flags));
        bb_put_flash(b, BB_TEXT(" det="));
        bb_put_hex(b, bb_flash_byte(&panel_encoders[slot - BB_ENCODER_SLOT].detent), 1);
        break;
#endif
#if PANEL_POTS
    case 3:
        bb_put_flash(b, BB_TEXT(" top="));
        bb_put_hex(b, bb_flash_word(&panel_pots[slot - BB_POT_SLOT].top), 4);
        break;
#endif
#if PANEL_LAMP_BYTES
    case 4:
        if (bb_flash_byte(&panel_lamps[slot - BB_LAMP_SLOT].flags) & BB_DIM) {
            bb_put_flash(b, BB_TEXT(" dim=1"));
        }
        break;
#endif
#if PANEL_DIGITS
    case 5:
        bb_put_flash(b, BB_TEXT(" places="));
        bb_put_hex(b, bb_flash_byte(&panel_digits[slot - BB_DIGITS_SLOT].places), 1);
        break;
#endif
    default:
        break;
    }
    bb_put_words(b, slot);
}

void bb_item(bb_board *b, uint8_t item)
{
    switch (item) {
    case 0:
        bb_put_flash(b, BB_TEXT("board ident="));
        bb_put_stored(b, false);
        bb_put_flash(b, BB_TEXT(" name="));
        bb_put_stored(b, true);
        break;
    case 1:
        bb_put_flash(b, BB_TEXT("model "));
        bb_put_flash(b, panel_model);
        break;
    case 2:
        bb_put_flash(b, BB_TEXT("firmware text=benchboard version=" BB_VERSION));
        break;
    case 3:
        bb_put_flash(b, BB_TEXT("clock tick=01"));
        break;
    default:
        put_channel(b, bb_slot_of_item(item));
        break;
    }
}

uint8_t bb_value_width(uint8_t slot)
{
    if (slot < BB_ENCODER_SLOT) {
        return 1;
    }
    if (slot < BB_LAMP_SLOT) {
        return 4;
    }
    if (slot < BB_DIGITS_SLOT) {
        return 3;
    }
#if PANEL_DIGITS
    return (uint8_t)(2u * bb_flash_byte(&panel_digits[slot - BB_DIGITS_SLOT].places));
#else
    return 0;
#endif
}

void bb_put_value(bb_board *b, uint8_t slot)
{
    uint16_t value = 0;

    if (slot < BB_SELECTOR_SLOT) {
        value = (b->made[slot >> 3] & bb_bit(slot)) != 0;
    } else if (slot < BB_ENCODER_SLOT) {
        value = b->position[slot - BB_SELECTOR_SLOT];
    } else if (slot < BB_POT_SLOT) {
        uint8_t before = hal_hold();

        value = (uint16_t)b->encoder_count[slot - BB_ENCODER_SLOT];
        hal_release(before);
    } else if (slot < BB_LAMP_SLOT) {
        value = b->pot_told[slot - BB_POT_SLOT];
    } else if (slot < BB_DIGITS_SLOT) {
        value = b->lamp[slot - BB_LAMP_SLOT];
    } else {
        uint8_t place, places = (uint8_t)(bb_value_width(slot) / 2u);

        for (place = 0; place < places; place++) {
            bb_put_hex(b, bb_get_place(b, (uint8_t)(slot - BB_DIGITS_SLOT), place), 2);
        }
        return;
    }
    bb_put_hex(b, value, bb_value_width(slot));
}
