/* The hardware layer: the functions that a port provides for the core. Each is given the board, whose `hardware` field is
 * the port's own. Unless its comment says otherwise it is called from bb_poll or bb_begin only and must return within 100 us. */
#ifndef HAL_H
#define HAL_H

#include "benchboard.h"

/* Microseconds since reset, modulo 2^32. Also called from interrupts. */
uint32_t hal_clock(bb_board *b);

/* The send ring holds bytes: make sure that bb_next_byte is called to fetch them. Called after every byte, so make it short. */
void hal_send(bb_board *b);

/* True if the next byte would start on the wire at once: nothing waits and nothing is being shifted out. */
bool hal_send_idle(bb_board *b);

/* The bit planes have changed: show the present plane again, so that a lamp just set is right when this returns. */
void hal_lamps(bb_board *b);

/* Write register `number` (1 to 8: rows, 9 to 15: control) of all display drivers in the chain; data[c] goes to chip c, 0
 * being the nearest. */
void hal_display(bb_board *b, uint8_t number, const uint8_t *data);

/* The board's own light, if PANEL_OWN_LIGHT. */
void hal_light(bb_board *b, bool on);

/* From now on report every edge of this input through bb_edge, or stop doing so. Only for inputs marked BB_RAW_PIN. */
void hal_watch(bb_board *b, uint8_t input, bool on);

/* Non-volatile memory, BB_STORE_BYTES of it. hal_store_write starts a write that may go on after it returns;
 * hal_store_ready is true when the next write may be started. */
uint8_t hal_store_read(bb_board *b, uint8_t at);
void hal_store_write(bb_board *b, uint8_t at, uint8_t value);
bool hal_store_ready(bb_board *b);

/* Supply in millivolts, 0 if not known. */
uint16_t hal_supply_mv(bb_board *b);

#endif
