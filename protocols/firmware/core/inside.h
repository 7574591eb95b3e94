/* Declarations shared by the core's own files; not for other code. */
#ifndef INSIDE_H
#define INSIDE_H

#include "benchboard.h"
#include "hal.h"

/* Kinds of events (interrupt to main loop): the two lowest bits of bb_event.when. */
enum { EV_CONTACT, EV_EDGE, EV_SELECTOR, EV_GHOST };

/* What an answer waits for. */
enum { WAIT_NOTHING, WAIT_IDLE, WAIT_OUTPUTS, WAIT_STORE };

/* Why the board went dark by itself. */
enum { DARK_TOLD, DARK_DEADMAN, DARK_LOCAL };

/* Flags of a pot. */
enum { POT_KNOWN = 1, POT_RAW = 4, POT_MAY = 8, POT_RAW_MAY = 16 };

extern const uint8_t bb_bits[8] BB_FLASH; /* an 8-bit chip shifts by a variable one place at a time */

static inline uint8_t bb_flags_of(uint8_t slot)
{
    return bb_flash_byte((const uint8_t *)&panel_slots[slot].detail + 1); /* low byte first, as in all our chips */
}

static inline uint8_t bb_bit(uint8_t n)
{
    return bb_flash_byte(&bb_bits[n & 7u]);
}

/* Contacts that change together and fit one line: 56 characters are left for " id=1". */
#define BB_MOST_CONTACTS (56u / (PANEL_LONGEST_ID + 3u))

/* print.c: the open line. bb_open_* begins one (call bb_can_send first), bb_close ends it with its check. */
bool bb_can_send(const bb_board *b);
void bb_open_answer(bb_board *b);
void bb_open_notification(bb_board *b); /* up to and with the space before the clock */
void bb_close(bb_board *b);
void bb_put(bb_board *b, char c);
void bb_put_digits(bb_board *b, uint16_t value, uint8_t digits); /* hex, 1 to 4 */
void bb_put_hex2(bb_board *b, uint8_t value);                    /* a space before each of these */
void bb_put_hex4(bb_board *b, uint16_t value);
void bb_put_hex8(bb_board *b, uint32_t value);
void bb_put_flash(bb_board *b, const char *text);
void bb_put_text(bb_board *b, const char *text);
void bb_put_id(bb_board *b, uint8_t slot);    /* " id" */
void bb_put_words(bb_board *b, uint8_t slot); /* the words after the id, as far as the line has room */

/* channels.c: slots and the items made of them. */
const char *bb_text_of(uint8_t slot);         /* 0 for a spare slot */
uint16_t bb_detail_of(uint8_t slot);
const char *bb_skip_text(const char *table);  /* in a flash table of texts: the next one */
const char *bb_nth_text(const char *table, uint8_t n);
uint16_t *bb_value_of(bb_board *b, uint8_t slot); /* of a selector, encoder, pot or lamp */
const char *bb_same(const char *text, const char *word); /* the word's end (0 or `=`) if it is the flash text's first word, else 0 */
uint8_t bb_find(const char *id);              /* an id, up to its end or a `=`; BB_NONE if there is none */
uint8_t bb_slot_of_item(uint8_t item);        /* first slot for items before the channels; BB_SLOTS after the last */
uint8_t bb_id_length(uint8_t slot);
uint8_t bb_value_width(uint8_t slot);
void bb_put_setting(bb_board *b, uint8_t slot); /* " id=value" */
void bb_item(bb_board *b, uint8_t item);      /* the words of an item */

/* receive.c */
void bb_listen(bb_board *b);                  /* look for `dark` in the bytes received */
bool bb_take_line(bb_board *b);               /* true if b->line now holds a request, split into words */
bool bb_hex_ahead(const char *text, uint8_t digits, uint16_t *value); /* value: of the last four */
bool bb_hex(const char *text, uint8_t digits, uint16_t *value);       /* exactly `digits` and then the end */

/* requests.c */
void bb_answer(bb_board *b);                  /* carry out the request in b->line and answer, or set b->waiting */
bool bb_finish(bb_board *b);                  /* answer the request that waited, if that is possible now */
bool bb_ident_good(const char *text);         /* a letter, then letters, digits and `_`: 16 at most */
bool bb_text_good(const char *text);          /* free text as on the wire: no `=`, and `%` only before two hex digits */

/* notifications.c */
void bb_gather(bb_board *b);                  /* events and slow inputs into the notification ring */
bool bb_notification(bb_board *b);                    /* format one notification, if there is one */
void bb_event_put(bb_board *b, uint8_t kind, uint8_t code, uint16_t at);
void bb_boot_notification(bb_board *b, bb_cause cause);

/* inputs.c */
void bb_inputs_begin(bb_board *b);

/* outputs.c */
void bb_set_lamp(bb_board *b, uint8_t lamp, uint16_t lightness);
uint8_t *bb_digit(bb_board *b, uint8_t display, uint8_t digit); /* where its segments are kept */
void bb_all_off(bb_board *b);
void bb_go_dark(bb_board *b);
bool bb_display_step(bb_board *b);            /* write one register; false if all are up to date */
void bb_wink_start(bb_board *b);
void bb_wink_step(bb_board *b);               /* every 250 ms while it lasts */

/* store.c */
void bb_store_begin(bb_board *b);
void bb_put_stored(bb_board *b, bool name);
bool bb_store_step(bb_board *b, bool name, const char *text); /* true when it is stored */

#endif
