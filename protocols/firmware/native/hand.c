#define _XOPEN_SOURCE 700
#include "hand.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define COUNT_US 4000u      /* an encoder, a count */
#define SWEEP_US 10000u     /* a potentiometer, one of eight steps */
#define SWEEP_STEPS 8
#define BREAK_US 8000u      /* a selector between two positions */
#define POSITION_US 30000u  /* a selector at a position in passing */

static bool listen_at(native *n)
{
    if (!strncmp(n->hand, "unix:", 5)) {
        struct sockaddr_un address;

        memset(&address, 0, sizeof address);
        address.sun_family = AF_UNIX;
        if (strlen(n->hand + 5) >= sizeof address.sun_path) {
            errno = ENAMETOOLONG;
            return false;
        }
        strcpy(address.sun_path, n->hand + 5);
        unlink(address.sun_path);
        n->listener = socket(AF_UNIX, SOCK_STREAM, 0);
        umask(077);
        snprintf(n->control, sizeof n->control, "%s", n->hand);
        return bind(n->listener, (struct sockaddr *)&address, sizeof address) == 0;
    }
    if (!strncmp(n->hand, "tcp:", 4)) {
        struct sockaddr_in address;
        socklen_t length = sizeof address;
        const char *port = strrchr(n->hand, ':');
        int yes = 1;

        memset(&address, 0, sizeof address);
        address.sin_family = AF_INET;
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK); /* this machine only, whatever was asked */
        address.sin_port = htons((uint16_t)atoi(port + 1));
        n->listener = socket(AF_INET, SOCK_STREAM, 0);
        setsockopt(n->listener, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
        if (bind(n->listener, (struct sockaddr *)&address, sizeof address)
            || getsockname(n->listener, (struct sockaddr *)&address, &length)) {
            return false;
        }
        snprintf(n->control, sizeof n->control, "tcp:127.0.0.1:%u", (unsigned)ntohs(address.sin_port));
        return true;
    }
    errno = EINVAL;
    return false;
}

bool hand_open(native *n)
{
    int i;

    for (i = 0; i < HANDS; i++) {
        n->hands[i].fd = -1;
    }
#if PANEL_ENCODERS
    for (i = 0; i < PANEL_ENCODERS; i++) {
        /* At rest both inputs of an encoder are low unless its contacts close to ground. */
        n->phase[i] = n->hw.levels[panel_encoders[i].a >> 3] & (1u << (panel_encoders[i].a & 7u)) ? 2 : 0;
    }
#endif
#if PANEL_SELECTORS
    for (i = 0; i < PANEL_SELECTORS; i++) {
        selector_at(n, (uint8_t)i, 0);
    }
#endif
    return listen_at(n) && listen(n->listener, HANDS) == 0 && fcntl(n->listener, F_SETFL, O_NONBLOCK) == 0;
}

void hand_close(native *n)
{
    close(n->listener);
    if (!strncmp(n->hand, "unix:", 5)) {
        unlink(n->hand + 5);
    }
}

int hand_fds(native *n, struct pollfd *fds)
{
    int i, count = 0;

    fds[count].fd = n->listener;
    fds[count++].events = POLLIN;
    for (i = 0; i < HANDS; i++) {
        if (n->hands[i].fd >= 0 && !n->hands[i].moving) {
            fds[count].fd = n->hands[i].fd;
            fds[count++].events = POLLIN;
        }
    }
    return count;
}

static void answer(native_hand *h, const char *format, ...)
{
    char text[4096];
    va_list list;
    size_t length;

    va_start(list, format);
    vsnprintf(text, sizeof text - 1, format, list);
    va_end(list);
    length = strlen(text);
    text[length++] = '\n';
    if (write(h->fd, text, length) != (ssize_t)length) {
        close(h->fd);
        h->fd = -1;
    }
}

static uint8_t slot_named(const char *word)
{
    uint8_t slot;
    size_t length = word ? strlen(word) : 0;

    for (slot = 0; slot < BB_SLOTS; slot++) {
        const char *text = bb_text_of(slot);

        if (text && length && !strncmp(text, word, length) && text[length] <= ' ') {
            return slot;
        }
    }
    return BB_NONE;
}

static void id_of(uint8_t slot, char id[16])
{
    const char *text = bb_text_of(slot);
    size_t length = strcspn(text, PIN COLOUR LABEL);

    memcpy(id, text, length < 15 ? length : 15);
    id[length < 15 ? length : 15] = 0;
}

static void contact(native *n, uint8_t input, bool made)
{
    host_pin(&n->board, input, made != ((bb_flags_of(input) & BB_LOW) != 0));
}

#if PANEL_SELECTORS

static void selector_at(native *n, uint8_t s, int position)
{
    uint8_t i;
    uint16_t code = position < 0 ? 0 : panel_selectors[s].codes[position];

    for (i = 0; i < panel_selectors[s].inputs; i++) {
        contact(n, (uint8_t)(panel_selectors[s].first + i), code >> i & 1u);
    }
}

static bool selector_step(native *n, native_hand *h)
{
    uint8_t s = (uint8_t)(h->slot - BB_SELECTOR_SLOT);

    if (n->place[s] == 255) {
        n->place[s] = (uint8_t)h->position;
        selector_at(n, s, h->position);
        h->next_us += POSITION_US;
        return true;
    }
    if (h->position == h->goal) {
        return false;
    }
    h->position += h->goal > h->position ? 1 : -1;
    n->place[s] = 255;
    selector_at(n, s, -1);
    h->next_us += BREAK_US;
    return true;
}

#endif

#if PANEL_ENCODERS

static bool encoder_step(native *n, native_hand *h)
{
    static const uint8_t order[4] = {0, 2, 3, 1};
    uint8_t e = (uint8_t)(h->slot - BB_ENCODER_SLOT), ab;
    int way = h->goal > h->position ? 1 : -1;

    if (h->position == h->goal) {
        return false;
    }
    n->phase[e] = (uint8_t)((n->phase[e] + way) & 3);
    ab = order[n->phase[e]];
    host_pin(&n->board, panel_encoders[e].a, ab >> 1);
    host_pin(&n->board, panel_encoders[e].b, ab & 1u);
    h->position += way;
    h->next_us += COUNT_US;
    return true;
}

#endif

#if PANEL_POTS

static bool pot_step(native *n, native_hand *h)
{
    uint16_t *pot = &n->hw.pot[h->slot - BB_POT_SLOT];

    if (h->position == 0) {
        return false;
    }
    *pot = (uint16_t)(*pot + (h->goal - *pot) / h->position);
    h->position--;
    h->next_us += SWEEP_US;
    return true;
}

#endif

/* One step of a move; false when the part is where it shall be. */
static bool step(native *n, native_hand *h)
{
#if PANEL_SELECTORS
    if (h->slot < BB_ENCODER_SLOT) {
        return selector_step(n, h);
    }
#endif
#if PANEL_ENCODERS
    if (h->slot < BB_POT_SLOT) {
        return encoder_step(n, h);
    }
#endif
#if PANEL_POTS
    return pot_step(n, h);
#else
    (void)n;
    (void)h;
    return false;
#endif
}

void hand_move(native *n, uint64_t now_us)
{
    int i;

    for (i = 0; i < HANDS; i++) {
        native_hand *h = &n->hands[i];

        while (h->fd >= 0 && h->moving && now_us >= h->next_us) {
            if (!step(n, h)) {
                h->moving = false;
                answer(h, "ok");
            }
        }
    }
}

static void begin_move(native *n, native_hand *h, uint8_t slot, int32_t position, int32_t goal)
{
    if (!n->plugged) {
        answer(h, "no the board is unplugged");
        return;
    }
    h->slot = slot;
    h->position = position;
    h->goal = goal;
    h->next_us = (host_now_ns() - n->hw.reset_ns) / 1000u;
    h->moving = true;
}

static void put(native *n, native_hand *h, uint8_t slot, const char *word)
{
    char *end;
    long value = word ? strtol(word, &end, 10) : 0;
    bool share = word && end != word && !strcmp(end, "%");

    if (!word || end == word || (*end && !share)) {
        answer(h, "no where to? a number is missing");
    } else if (slot >= BB_SELECTOR_SLOT && slot < BB_ENCODER_SLOT) {
#if PANEL_SELECTORS
        uint8_t s = (uint8_t)(slot - BB_SELECTOR_SLOT);

        if (share || value < 0 || value >= bb_detail_of((uint8_t)(BB_SELECTOR_SLOT + s))) {
            answer(h, "no such position");
        } else {
            begin_move(n, h, slot, n->place[s] == 255 ? 0 : n->place[s], (int32_t)value);
        }
#endif
    } else if (slot >= BB_POT_SLOT && slot < BB_LAMP_SLOT) {
#if PANEL_POTS
        long top = bb_detail_of(slot);

        value = share ? value * top / 100 : value;
        if (value < 0 || value > top) {
            answer(h, "no it turns from 0 to %ld", top);
        } else {
            begin_move(n, h, slot, SWEEP_STEPS, (int32_t)value);
        }
#endif
    } else if (slot < BB_SELECTOR_SLOT && !share && (value == 0 || value == 1)) {
        contact(n, slot, value == 1);
        answer(h, "ok");
    } else {
        answer(h, "no that part has no such position");
    }
}

static void turn(native *n, native_hand *h, uint8_t slot, const char *word)
{
#if PANEL_ENCODERS
    char *end;
    long detents = word ? strtol(word, &end, 10) : 0;

    if (slot >= BB_ENCODER_SLOT && slot < BB_POT_SLOT && word && *word && !*end && detents >= -1000 && detents <= 1000) {
        begin_move(n, h, slot, 0, (int32_t)(detents * (bb_detail_of(slot) & 0xFF)));
        return;
    }
#else
    (void)n;
    (void)slot;
    (void)word;
#endif
    answer(h, "no only an encoder turns, by -1000 to 1000 detents");
}

static void tell_lit(native *n, native_hand *h)
{
    char text[2048] = "ok";
    size_t used = 2;
    uint8_t slot;

    for (slot = BB_LAMP_SLOT; slot < BB_DIGITS_SLOT; slot++) {
        char id[16];

        if (bb_text_of(slot)) {
            id_of(slot, id);
            used += (size_t)snprintf(text + used, sizeof text - used, " %s=%u", id,
                                     n->plugged ? host_lit(&n->board, (uint8_t)(slot - BB_LAMP_SLOT)) : 0u);
        }
    }
    answer(h, "%s", text);
}

static void tell_shown(native *n, native_hand *h, const char *word)
{
    char text[2048] = "ok";
    size_t used = 2;
    uint8_t slot, only = slot_named(word);

    if (word && (only < BB_DIGITS_SLOT || only == BB_NONE)) {
        answer(h, "no such display");
        return;
    }
    for (slot = BB_DIGITS_SLOT; slot < BB_SLOTS; slot++) {
        char id[16];
        uint8_t place;

        if (word && slot != only) {
            continue;
        }
        id_of(slot, id);
        used += (size_t)snprintf(text + used, sizeof text - used, " %s=", id);
        for (place = 0; place < bb_value_width(slot) / 2u; place++) {
            used += (size_t)snprintf(text + used, sizeof text - used, "%02X",
                                     n->plugged ? host_shown(&n->board, (uint8_t)(slot - BB_DIGITS_SLOT), place) : 0u);
        }
    }
    answer(h, "%s", text);
}

static void tell_parts(native_hand *h)
{
    char text[4000] = "ok";
    size_t used = 2;
    uint8_t slot;

    for (slot = 0; slot < BB_LAMP_SLOT; slot++) {
        char id[16];

        if (!bb_text_of(slot)) {
            continue;
        }
        id_of(slot, id);
        if (slot < BB_SELECTOR_SLOT) {
            used += (size_t)snprintf(text + used, sizeof text - used, " %s=switch:2:%s", id, id);
        } else if (slot < BB_ENCODER_SLOT) {
#if PANEL_SELECTORS
            used += (size_t)snprintf(text + used, sizeof text - used, " %s=switch:%u:%s", id,
                                     (unsigned)bb_detail_of(slot), id);
#endif
        } else {
            used += (size_t)snprintf(text + used, sizeof text - used, " %s=%s:0:%s", id,
                                     slot < BB_POT_SLOT ? "encoder" : "pot", id);
        }
    }
    answer(h, "%s", text);
}

static void reset(native *n, native_hand *h, const char *word)
{
    static const char *const causes[] = {"power", "reset", "watchdog", "brownout", "unknown"};
    int cause;

    for (cause = 0; cause < 5; cause++) {
        if (!strcmp(word ? word : "reset", causes[cause])) {
            if (n->plugged) {
                native_reset(n, (bb_cause)cause);
            }
            answer(h, "ok");
            return;
        }
    }
    answer(h, "no such cause");
}

static void act(native *n, native_hand *h)
{
    char *save = 0;
    char *word = strtok_r(h->line, " ", &save), *part = strtok_r(0, " ", &save), *where = strtok_r(0, " ", &save);
    uint8_t slot;

    if (!word) {
        return;
    }
    if (!strcmp(word, "hello")) {
        answer(h, "ok hand 1 %s", n->name);
    } else if (!strcmp(word, "parts")) {
        tell_parts(h);
    } else if (!strcmp(word, "lit")) {
        tell_lit(n, h);
    } else if (!strcmp(word, "shown")) {
        tell_shown(n, h, part);
    } else if (!strcmp(word, "reset")) {
        reset(n, h, part);
    } else if (!strcmp(word, "time")) {
        answer(h, "ok %llu %llu", (unsigned long long)((host_now_ns() - n->began_ns) / 1000u),
               (unsigned long long)((host_now_ns() - n->hw.reset_ns) / 1000u));
    } else if (!strcmp(word, "port")) {
        answer(h, n->plugged ? "ok %s" : "ok", native_port(n));
    } else if (!strcmp(word, "supply")) {
        n->hw.supply_mv = (uint16_t)(part ? atoi(part) : 5000);
        answer(h, "ok");
    } else if (!strcmp(word, "unplug")) {
        if (n->plugged) {
            native_unplug(n);
        }
        n->plugged = false;
        answer(h, "ok");
    } else if (!strcmp(word, "replug")) {
        if (!n->plugged) {
            n->plugged = native_plug(n);
            native_reset(n, BB_POWER);
        }
        answer(h, n->plugged ? "ok %s" : "no pseudo-terminal could be had", native_port(n));
    } else if (strcmp(word, "press") && strcmp(word, "release") && strcmp(word, "put") && strcmp(word, "turn")) {
        answer(h, "no this board does not know '%.40s'", word);
    } else if ((slot = slot_named(part)) == BB_NONE || slot >= BB_LAMP_SLOT) {
        answer(h, "no there is no part '%.40s' on this board", part ? part : "");
    } else if (!strcmp(word, "put")) {
        put(n, h, slot, where);
    } else if (!strcmp(word, "turn")) {
        turn(n, h, slot, where);
    } else if (slot >= BB_SELECTOR_SLOT) {
        answer(h, "no only a contact can be pressed");
    } else {
        contact(n, slot, word[0] == 'p');
        answer(h, "ok");
    }
}

static void hear(native *n, native_hand *h)
{
    while (h->fd >= 0 && !h->moving) {
        char c;
        ssize_t got = read(h->fd, &c, 1);

        if (got <= 0) {
            if (got == 0 || (errno != EAGAIN && errno != EINTR)) {
                close(h->fd);
                h->fd = -1;
            }
            return;
        }
        if (c == '\n' || c == '\r') {
            h->line[h->length] = 0;
            if (h->too_long) {
                answer(h, "no that line is too long or not printable");
            } else if (h->length) {
                act(n, h);
            }
            h->length = 0;
            h->too_long = false;
        } else if (c < ' ' || c > '~' || h->length >= sizeof h->line - 2) {
            h->too_long = true;
        } else {
            h->line[h->length++] = c;
        }
    }
}

void hand_serve(native *n)
{
    int i, fd;

    for (i = 0; i < HANDS; i++) {
        if (n->hands[i].fd >= 0) {
            hear(n, &n->hands[i]);
        } else if ((fd = accept(n->listener, 0, 0)) >= 0) {
            memset(&n->hands[i], 0, sizeof n->hands[i]);
            n->hands[i].fd = fd;
            fcntl(fd, F_SETFL, O_NONBLOCK);
        }
    }
}
