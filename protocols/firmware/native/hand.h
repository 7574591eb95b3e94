/* The control connection (`protocols/hand.md`) of the native board. */
#ifndef HAND_H
#define HAND_H

#include <poll.h>

#include "inside.h"
#include "native.h"

#define HAND_FDS (HANDS + 1)

bool hand_open(native *n);                     /* returns false, with errno set, if it cannot listen */
void hand_close(native *n);
int hand_fds(native *n, struct pollfd *fds);   /* fills in what to wait for; returns how many */
void hand_serve(native *n);                    /* accept, read, act, answer */
void hand_answer(native_hand *h, const char *format, ...);

/* moves.c */
void hand_rest(native *n);                     /* sets all parts to their positions before any move */
void hand_contact(native *n, uint8_t input, bool made);
void hand_put(native *n, native_hand *h, uint8_t slot, const char *where);
void hand_turn(native *n, native_hand *h, uint8_t slot, const char *detents);
void hand_move(native *n, uint64_t now_us);    /* continues moves that take time */

#endif
