/* The board as a program: a pseudo-terminal is its serial line, and a control connection moves its controls
 * (`protocols/hand.md`). Prints "NAME PORT HAND" when it is ready and runs until SIGTERM or SIGINT. */
#define _XOPEN_SOURCE 700
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "hand.h"
#include "native.h"

static volatile sig_atomic_t ended;

static void end(int signal_number)
{
    (void)signal_number;
    ended = 1;
}

static void fail(const char *what, const char *which)
{
    fprintf(stderr, "benchboard-native: %s %s: %s\n", what, which, strerror(errno));
    exit(2);
}

bool native_plug(native *n)
{
    struct termios raw;
    int slave;

    n->pty = posix_openpt(O_RDWR | O_NOCTTY);
    if (n->pty < 0 || grantpt(n->pty) || unlockpt(n->pty)) {
        return false;
    }
    snprintf(n->port, sizeof n->port, "%s", ptsname(n->pty));
    slave = open(n->port, O_RDWR | O_NOCTTY);
    if (slave < 0 || tcgetattr(slave, &raw)) {
        return false;
    }
    raw.c_iflag = 0;
    raw.c_oflag = 0;
    raw.c_lflag = 0;
    raw.c_cflag = (raw.c_cflag & ~(tcflag_t)(CSIZE | PARENB)) | CS8 | CREAD | CLOCAL;
    raw.c_cc[VMIN] = 1;
    raw.c_cc[VTIME] = 0;
    cfsetispeed(&raw, B115200);
    cfsetospeed(&raw, B115200);
    tcsetattr(slave, TCSANOW, &raw);
    close(slave); /* from here on a hang-up on our side means that no program has the port open */
    fcntl(n->pty, F_SETFL, O_NONBLOCK);
    fcntl(n->pty, F_SETFD, FD_CLOEXEC);
    if (n->link) {
        unlink(n->link);
        if (symlink(n->port, n->link)) {
            return false;
        }
    }
    return true;
}

void native_unplug(native *n)
{
    if (n->pty >= 0) {
        close(n->pty);
        n->pty = -1;
    }
    if (n->link) {
        unlink(n->link);
    }
}

const char *native_port(const native *n)
{
    return n->link ? n->link : n->port;
}

void native_reset(native *n, bb_cause cause)
{
    memset(n->hw.watched, 0, sizeof n->hw.watched);
    memset(n->hw.display, 0, sizeof n->hw.display);
    n->hw.reset_ns = host_now_ns();
    n->scanned_ns = n->hw.reset_ns;
    bb_begin(&n->board, cause, &n->hw);
}

static bool open_by_somebody(const native *n)
{
    struct pollfd p;

    p.fd = n->pty;
    p.events = 0;
    p.revents = 0;
    return n->pty >= 0 && poll(&p, 1, 0) >= 0 && !(p.revents & POLLHUP);
}

/* Returns how many bytes the wire has had time for since the last call; without a rate there is no limit. */
static size_t allowed(uint64_t now, unsigned long baud, uint64_t *from, size_t most)
{
    uint64_t bytes, byte_ns;

    if (baud == 0) {
        return most;
    }
    byte_ns = 10000000000u / baud;
    if (now - *from > 5000000u) {
        *from = now - 5000000u; /* it was idle */
    }
    bytes = (now - *from) / byte_ns;
    if (bytes > most) {
        bytes = most;
    }
    return (size_t)bytes;
}

static bool receive(native *n, uint64_t now)
{
    uint8_t bytes[BB_RECEIVE];
    uint8_t used = (uint8_t)(n->board.rx_head - n->board.rx_tail);
    size_t room = allowed(now, n->baud, &n->received_ns, BB_RECEIVE - used);
    ssize_t got, at;

    if (room == 0 || (got = read(n->pty, bytes, room)) <= 0) {
        return false;
    }
    n->received_ns += n->baud ? (uint64_t)got * (10000000000u / n->baud) : 0;
    for (at = 0; at < got; at++) {
        bb_received(&n->board, bytes[at]);
    }
    return true;
}

static bool transmit(native *n, uint64_t now, bool heard)
{
    uint8_t bytes[256];
    size_t room = allowed(now, n->baud, &n->sent_ns, sizeof bytes), count = 0;
    ssize_t sent;
    uint8_t tail = n->board.tx_tail;

    while (count < room && (uint8_t)(tail + count) != n->board.tx_head) {
        bytes[count] = n->board.tx[(uint8_t)(tail + count) % BB_SEND];
        count++;
    }
    if (count == 0) {
        return false;
    }
    sent = heard ? write(n->pty, bytes, count) : (ssize_t)count; /* without a listener the bytes are lost, as on a real wire */
    if (sent <= 0) {
        return false;
    }
    n->sent_ns += n->baud ? (uint64_t)sent * (10000000000u / n->baud) : 0;
    while (sent--) {
        bb_next_byte(&n->board);
    }
    return true;
}

static void scan(native *n, uint64_t now)
{
    const uint64_t period = BB_SCAN_US * 1000ull;
    int most = 100;

    while (now - n->scanned_ns >= period) {
        n->scanned_ns += period;
        if (most-- == 0) {
            n->scanned_ns = now; /* this machine was late */
        }
        hand_move(n, (n->scanned_ns - n->hw.reset_ns) / 1000u);
        bb_scan(&n->board, hal_clock(&n->board), n->hw.levels);
    }
    if (now - n->pots_ns >= 1000000u) {
        uint8_t pot;

        n->pots_ns = now;
        for (pot = 0; pot != PANEL_POTS; pot++) {
            bb_reading(&n->board, pot, n->hw.pot[pot]);
        }
    }
}

static void keep_store(native *n)
{
    FILE *file;

    if (!n->hw.store_changed || !n->store) {
        return;
    }
    n->hw.store_changed = false;
    file = fopen(n->store, "wb");
    if (!file || fwrite(n->hw.store, sizeof n->hw.store, 1, file) != 1 || fclose(file)) {
        fail("cannot keep", n->store);
    }
}

static void load_store(native *n)
{
    FILE *file = n->store ? fopen(n->store, "rb") : 0;

    if (file) {
        if (fread(n->hw.store, sizeof n->hw.store, 1, file) != 1) {
            memset(n->hw.store, 0xFF, sizeof n->hw.store);
        }
        fclose(file);
    }
}

static void wait_for_something(native *n, bool heard, bool stuck)
{
    struct pollfd fds[HAND_FDS + 1];
    int count = hand_fds(n, fds);

    if (heard) {
        fds[count].fd = n->pty;
        fds[count].events = (short)(POLLIN | (stuck && n->baud == 0 ? POLLOUT : 0));
        fds[count].revents = 0;
        count++;
    }
    poll(fds, (nfds_t)count, 1);
}

static void run(native *n)
{
    while (!ended) {
        uint64_t now = host_now_ns();
        bool heard, did = false;
        int turns = 32;

        hand_serve(n);
        if (n->plugged) {
            scan(n, now);
            heard = open_by_somebody(n);
            if (heard) {
                did |= receive(n, now);
            }
            while (turns-- && bb_poll(&n->board)) {
                did |= transmit(n, host_now_ns(), heard);
            }
            did |= transmit(n, host_now_ns(), heard);
            keep_store(n);
        } else {
            heard = false;
        }
        if (!did) {
            wait_for_something(n, heard, n->plugged && bb_has_byte(&n->board));
        }
    }
}

static void usage(void)
{
    fputs("usage: benchboard-native [--name NAME] [--link PATH] [--hand unix:PATH | --hand tcp:127.0.0.1:PORT]\n"
          "                         [--store FILE] [--baud RATE]\n"
          "  --name   printed first (the board's ident)     --link   symbolic link to the pseudo-terminal\n"
          "  --hand   where the control connection listens (tcp on a free port)\n"
          "  --store  keeps ident, name and boot number     --baud   paces both ways like a real line\n",
          stderr);
    exit(2);
}

int main(int argc, char **argv)
{
    static native n;
    struct sigaction action;
    int at;

    n.pty = -1;
    n.name = panel_ident;
    n.hand = "tcp:127.0.0.1:0";
    for (at = 1; at + 1 < argc; at += 2) {
        if (!strcmp(argv[at], "--name")) {
            n.name = argv[at + 1];
        } else if (!strcmp(argv[at], "--link")) {
            n.link = argv[at + 1];
        } else if (!strcmp(argv[at], "--hand")) {
            n.hand = argv[at + 1];
        } else if (!strcmp(argv[at], "--store")) {
            n.store = argv[at + 1];
        } else if (!strcmp(argv[at], "--baud")) {
            n.baud = strtoul(argv[at + 1], 0, 10);
        } else {
            usage();
        }
    }
    if (at != argc) {
        usage();
    }
    memset(&action, 0, sizeof action);
    action.sa_handler = end;
    sigaction(SIGTERM, &action, 0);
    sigaction(SIGINT, &action, 0);
    signal(SIGPIPE, SIG_IGN);
    host_hardware_begin(&n.hw);
    n.hw.real_time = true;
    load_store(&n);
    if (!native_plug(&n)) {
        fail("no pseudo-terminal for", n.name);
    }
    if (!hand_open(&n)) {
        fail("cannot listen at", n.hand);
    }
    n.plugged = true;
    n.began_ns = host_now_ns();
    native_reset(&n, BB_POWER);
    printf("%s %s %s\n", n.name, native_port(&n), n.control);
    fflush(stdout);
    run(&n);
    native_unplug(&n);
    hand_close(&n);
    return 0;
}
