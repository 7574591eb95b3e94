/* The serial line between the chip's UART and a pseudo-terminal, or a script that feeds it byte by byte.
 *
 * What the receiver does with a byte is in library.c. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include <simavr/avr_uart.h>
#include <simavr/sim_io.h>

#include "emulator.h"

#define TO_CHIP 4096
#define FROM_CHIP 65536

static struct {
    avr_uart_t *uart;
    int master, keep; /* keep: the other end, held open so that the line does not end when a program closes it */
    char pty[64];
    double byte_cycles, next;
    bool in_byte; /* between start and stop bit */
    uint8_t byte;
    uint64_t free_at; /* cycle at which the chip's sender has sent all its bytes */
    uint8_t to_chip[TO_CHIP];
    unsigned head, tail;
    bool running;
    uint8_t from_chip[FROM_CHIP];
    size_t waiting;
    unsigned long received, unsent;
    char text[128];
    size_t length;
    uint64_t began;
} line;

unsigned long line_received(void) { return line.received; }
const char *line_pty(void) { return line.pty; }
bool line_quiet(void) { return line.head == line.tail; }

static uint64_t next_byte(uint64_t when, void *unused)
{
    (void)when, (void)unused;
    if (line.in_byte) { /* a byte is complete in the middle of its stop bit */
        receiver_byte(line.byte);
        line.in_byte = false;
        line.next += line.byte_cycles * 0.05;
        return (uint64_t)line.next;
    }
    if (line.head == line.tail) {
        line.running = false;
        return 0;
    }
    line.byte = line.to_chip[line.tail++ % TO_CHIP];
    line.received++;
    line.in_byte = true;
    receiver_start_bit();
    line.next += line.byte_cycles * 0.95;
    return (uint64_t)line.next;
}

void line_put(const uint8_t *bytes, size_t length)
{
    for (size_t i = 0; i < length && line.head - line.tail < TO_CHIP; i++)
        line.to_chip[line.head++ % TO_CHIP] = bytes[i];
    if (!line.running && line.head != line.tail) {
        line.running = true;
        line.next = (double)now_cycles() + 2;
        call_at(now_cycles() + 2, next_byte, NULL);
    }
}

static void from_chip(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    uint8_t byte = (uint8_t)value;
    /* libsimavr reports a byte when it is given to the sender; on the wire it begins when the one before it has been sent. */
    uint64_t start = now_cycles() > line.free_at ? now_cycles() : line.free_at;
    line.free_at = start + line.uart->cycles_per_byte;
    if (line.waiting < FROM_CHIP)
        line.from_chip[line.waiting++] = byte;
    else
        line.unsent++;
    if (!scripted)
        return;
    if (byte == '\n' || byte == '\r') {
        line.text[line.length] = 0;
        if (line.length && line.text[0] == '<')
            window_answered();
        if (line.length)
            say("tx %llu %s", (unsigned long long)line.began, line.text);
        line.length = 0;
        line.waiting = 0;
    } else {
        if (!line.length)
            line.began = us_of(start);
        if (line.length < sizeof line.text - 1)
            line.text[line.length++] = byte >= 0x20 && byte < 0x7F ? (char)byte : '?';
    }
}

void line_poll(void)
{
    uint8_t bytes[512];
    unsigned room = TO_CHIP - (line.head - line.tail);

    if (line.master < 0)
        return;
    if (line.waiting) {
        ssize_t gone = write(line.master, line.from_chip, line.waiting);
        if (gone > 0) {
            memmove(line.from_chip, line.from_chip + gone, line.waiting - (size_t)gone);
            line.waiting -= (size_t)gone;
        }
    }
    /* No more than a few milliseconds ahead: the rest waits in the pseudo-terminal, as on a wire that is full. */
    if (room > TO_CHIP - 64) {
        ssize_t came = read(line.master, bytes, 256);
        if (came > 0)
            line_put(bytes, (size_t)came);
    }
}

void line_begin(char uart, double baud, bool pty)
{
    uint32_t flags = 0;

    line.master = -1;
    for (avr_io_t *io = bench.avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart") && ((avr_uart_t *)io)->name == uart)
            line.uart = (avr_uart_t *)io;
    /* The library sleeps while firmware polls the receiver, which slows it down; and its printing would end up in the log. */
    avr_ioctl(bench.avr, AVR_IOCTL_UART_SET_FLAGS(uart), &flags);
    avr_irq_register_notify(avr_io_getirq(bench.avr, AVR_IOCTL_UART_GETIRQ(uart), UART_IRQ_OUTPUT), from_chip, NULL);
    line.byte_cycles = 10.0 * bench.avr->frequency / baud;
    if (pty) {
        struct termios raw;
        if (openpty(&line.master, &line.keep, line.pty, NULL, NULL)) {
            fprintf(stderr, "emulator: no pseudo-terminal: %s\n", strerror(errno));
            exit(2);
        }
        tcgetattr(line.keep, &raw);
        cfmakeraw(&raw); /* before the first byte, or the terminal would echo it */
        tcsetattr(line.keep, TCSANOW, &raw);
        fcntl(line.master, F_SETFL, O_NONBLOCK);
    }
}
