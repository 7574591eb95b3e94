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
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK); /* this machine only, whatever address was given */
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
    hand_rest(n);
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

void hand_answer(native_hand *h, const char *format, ...)
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
static void tell_lit(native *n, native_hand *h)
{
    char text[2048] = "ok";
    size_t used = 2;
    uint8_t slot;

    for (slot = BB_LAMP_SLOT; slot < BB_DISPLAY_SLOT; slot++) {
        char id[16];

        if (bb_text_of(slot)) {
            id_of(slot, id);
            used += (size_t)snprintf(text + used, sizeof text - used, " %s=%u", id,
                                     n->plugged ? host_lit(&n->board, (uint8_t)(slot - BB_LAMP_SLOT)) : 0u);
        }
    }
    hand_answer(h, "%s", text);
}

/* Lamps are seen without faults: in the colour of the lamp's text, and steady. */
static void tell_seen(native *n, native_hand *h)
{
    char text[4000] = "ok";
    size_t used = 2;
    uint8_t slot;

    for (slot = BB_LAMP_SLOT; slot < BB_DISPLAY_SLOT; slot++) {
        const char *colour = bb_text_of(slot) ? strstr(bb_text_of(slot), COLOUR) : 0;
        char id[16];

        if (bb_text_of(slot)) {
            id_of(slot, id);
            used += (size_t)snprintf(text + used, sizeof text - used, " %s=%u:%.*s:steady", id,
                                     n->plugged ? host_lit(&n->board, (uint8_t)(slot - BB_LAMP_SLOT)) : 0u,
                                     colour ? (int)strcspn(colour + 1, PIN LABEL) : 0, colour ? colour + 1 : "");
        }
    }
    hand_answer(h, "%s", text);
}

static void tell_shown(native *n, native_hand *h, const char *word)
{
    char text[2048] = "ok";
    size_t used = 2;
    uint8_t slot, only = slot_named(word);

    if (word && (only < BB_DISPLAY_SLOT || only == BB_NONE)) {
        hand_answer(h, "no such display");
        return;
    }
    for (slot = BB_DISPLAY_SLOT; slot < BB_SLOTS; slot++) {
        char id[16];
        uint8_t digit;

        if (word && slot != only) {
            continue;
        }
        id_of(slot, id);
        used += (size_t)snprintf(text + used, sizeof text - used, " %s=", id);
        for (digit = 0; digit < bb_value_width(slot) / 2u; digit++) {
            used += (size_t)snprintf(text + used, sizeof text - used, "%02X",
                                     n->plugged ? host_shown(&n->board, (uint8_t)(slot - BB_DISPLAY_SLOT), digit) : 0u);
        }
    }
    hand_answer(h, "%s", text);
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
    hand_answer(h, "%s", text);
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
            hand_answer(h, "ok");
            return;
        }
    }
    hand_answer(h, "no such cause");
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
        hand_answer(h, "ok hand 1 %s", n->name);
    } else if (!strcmp(word, "parts")) {
        tell_parts(h);
    } else if (!strcmp(word, "lit")) {
        tell_lit(n, h);
    } else if (!strcmp(word, "seen")) {
        tell_seen(n, h);
    } else if (!strcmp(word, "shown")) {
        tell_shown(n, h, part);
    } else if (!strcmp(word, "reset")) {
        reset(n, h, part);
    } else if (!strcmp(word, "time")) {
        hand_answer(h, "ok %llu %llu", (unsigned long long)((host_now_ns() - n->began_ns) / 1000u),
               (unsigned long long)((host_now_ns() - n->hw.reset_ns) / 1000u));
    } else if (!strcmp(word, "port")) {
        hand_answer(h, n->plugged ? "ok %s" : "ok", native_port(n));
    } else if (!strcmp(word, "supply")) {
        n->hw.supply_mv = (uint16_t)(part ? atoi(part) : 5000);
        hand_answer(h, "ok");
    } else if (!strcmp(word, "unplug")) {
        if (n->plugged) {
            native_unplug(n);
        }
        n->plugged = false;
        hand_answer(h, "ok");
    } else if (!strcmp(word, "replug")) {
        if (!n->plugged) {
            n->plugged = native_plug(n);
            native_reset(n, BB_POWER);
        }
        hand_answer(h, n->plugged ? "ok %s" : "no pseudo-terminal could be had", native_port(n));
    } else if (strcmp(word, "press") && strcmp(word, "release") && strcmp(word, "put") && strcmp(word, "turn")) {
        hand_answer(h, "no this board does not know '%.40s'", word);
    } else if ((slot = slot_named(part)) == BB_NONE || slot >= BB_LAMP_SLOT) {
        hand_answer(h, "no there is no control on a channel '%.40s'; the hand of firmware knows channels, no names",
                    part ? part : "");
    } else if (!strcmp(word, "put")) {
        hand_put(n, h, slot, where);
    } else if (!strcmp(word, "turn")) {
        hand_turn(n, h, slot, where);
    } else if (slot >= BB_SELECTOR_SLOT) {
        hand_answer(h, "no only a contact can be pressed");
    } else {
        hand_contact(n, slot, word[0] == 'p');
        hand_answer(h, "ok");
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
                hand_answer(h, "no that line is too long or not printable");
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
