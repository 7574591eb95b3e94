/* Shared by requests.c and settings.c: the results of carrying out a request. */
#ifndef ASKING_H
#define ASKING_H

#include "inside.h"

/* The result of carrying out a request: the code of a refusal, or one of the last three. */
enum {
    NO_WORD = 1,
    NO_FORM = 2,
    NO_CHANNEL = 3,
    NO_ABILITY = 4,
    NO_RANGE = 5,
    NO_DARK = 6,
    NO_BUSY = 7,
    NO_ITEM = 9,
    DONE = 0x10, /* answered, or b->waiting is set */
    SAME = 0x11, /* answer with the request's own words */
    NEXT = 0     /* this argument was good: go on to the next */
};

/* The words, in the order of their table. */
enum {
    ASK_HELLO,
    ASK_ITEM,
    ASK_READ,
    ASK_SET,
    ASK_DARK,
    ASK_LIGHT,
    ASK_DEADMAN,
    ASK_PING,
    ASK_ALIVE,
    ASK_RAW,
    ASK_IDENT,
    ASK_NAME,
    ASK_WINK,
    ASK_WORDS
};

void bb_open_result(bb_board *b); /* begin an answer with the request's word */
char *bb_first_argument(bb_board *b);
char *bb_argument_after(char *argument);

uint8_t bb_do_read_all(bb_board *b);
uint8_t bb_do_each(bb_board *b, uint8_t word); /* read (named), set, raw */

#endif
