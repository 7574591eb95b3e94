/* The control connection (`protocols/hand.md`) of the native board. */
#ifndef HAND_H
#define HAND_H

#include <poll.h>

#include "inside.h"
#include "native.h"

#define HAND_FDS (HANDS + 1)

bool hand_open(native *n);                     /* false, with errno: cannot listen */
void hand_close(native *n);
int hand_fds(native *n, struct pollfd *fds);   /* what to wait for; how many */
void hand_serve(native *n);                    /* accept, read, act, answer */
void hand_move(native *n, uint64_t now_us);    /* go on with moves that take time */

#endif
