/* The emulated bench: see emulator.h.
 *
 *   emulator --elf FILE --chip atmega328p --wiring FILE            a pseudo-terminal, paced to real time; prints
 *                                                                 NAME PORT HAND and runs until SIGTERM
 *   emulator --elf FILE --chip atmega328p --wiring FILE --script FILE    as fast as possible, exact to the cycle: each line of the
 *                                                                 script is AT_US WORD …; the log goes to standard output
 *
 * Words of a script besides those of the control connection: `rx TEXT` sends a line at the line's pace, `hex BYTES` sends
 * bytes, `flood COUNT TEXT` sends a line COUNT times as fast as the line allows, `wait_quiet`, `end`. */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <simavr/sim_elf.h>

#include "emulator.h"

#define CLIENTS 8

bench_t bench;
bool scripted;
static volatile sig_atomic_t stopping;

uint64_t now_cycles(void) { return bench.avr->cycle; }
uint64_t us_of(uint64_t cycles) { return (uint64_t)((double)cycles * 1e6 / bench.avr->frequency); }
uint64_t now_us(void) { return us_of(bench.avr->cycle); }
uint64_t cycles_of(double us) { return (uint64_t)(us * bench.avr->frequency / 1e6); }
void stop(void) { stopping = 1; }
static void on_signal(int number) { (void)number; stopping = 1; }
static void no_sleep(avr_t *avr, avr_cycle_count_t much) { (void)avr, (void)much; }

void say(const char *form, ...)
{
    va_list words;
    va_start(words, form);
    vprintf(form, words);
    va_end(words);
    putchar('\n');
}

static void quiet(avr_t *avr, const int level, const char *format, va_list words)
{
    (void)avr;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, words);
}

static void die(const char *what, const char *which)
{
    fprintf(stderr, "emulator: %s %s\n", what, which);
    exit(2);
}

/* Run until this cycle. Returns false if the chip has stopped for good. */
static bool run_until(uint64_t cycle)
{
    while (bench.avr->cycle < cycle) {
        int state = avr_run(bench.avr);
        if (state == cpu_Done || state == cpu_Crashed)
            return false;
    }
    return true;
}

/* --- the script --- */

static void play_script(const char *path)
{
    char text[1024], answer[2048];
    int number = 0;
    FILE *in = strcmp(path, "-") ? fopen(path, "r") : stdin;

    if (!in)
        die("cannot read", path);
    while (fgets(text, sizeof text, in)) {
        char *word;
        double at = strtod(text, &word);
        number++;
        text[strcspn(text, "\r\n")] = 0;
        while (*word == ' ')
            word++;
        if (!*word)
            continue;
        if (!run_until(cycles_of(at)))
            die("the chip crashed before line of script", text);
        if (!strncmp(word, "rx ", 3)) {
            line_put((const uint8_t *)word + 3, strlen(word + 3));
            line_put((const uint8_t *)"\n", 1);
        } else if (!strncmp(word, "flood ", 6)) {
            char *line;
            long count = strtol(word + 6, &line, 10);
            for (line++; count > 0; count--) {
                line_put((const uint8_t *)line, strlen(line));
                line_put((const uint8_t *)"\n", 1);
            }
        } else if (!strncmp(word, "hex ", 4)) {
            for (char *digits = word + 4; digits[0] && digits[1]; digits += 2) {
                char two[3] = {digits[0], digits[1], 0};
                uint8_t byte = (uint8_t)strtoul(two, NULL, 16);
                line_put(&byte, 1);
            }
        } else if (!strcmp(word, "wait_quiet")) {
            while (!line_quiet() && run_until(now_cycles() + 1000))
                ;
        } else if (!strcmp(word, "end")) {
            break;
        } else {
            char *copy = strdup(word);
            obey(copy, answer, sizeof answer);
            say("at %llu %s: %s", (unsigned long long)now_us(), word, answer);
            free(copy);
        }
    }
    if (in != stdin)
        fclose(in);
}

/* --- the control connection --- */

static struct { int fd; char text[1024]; size_t length; part_t *until; } client[CLIENTS];
static int listener;

static int listen_on_loopback(void)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof at;

    listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (listener < 0 || bind(listener, (struct sockaddr *)&at, sizeof at) || listen(listener, CLIENTS) ||
        getsockname(listener, (struct sockaddr *)&at, &length))
        die("no control connection:", strerror(errno));
    fcntl(listener, F_SETFL, O_NONBLOCK);
    for (int i = 0; i < CLIENTS; i++)
        client[i].fd = -1;
    return ntohs(at.sin_port);
}

static void answer_with(int i, char *answer)
{
    strcat(answer, "\n");
    (void)!send(client[i].fd, answer, strlen(answer), MSG_NOSIGNAL);
}

/* Carry out the requests in the buffer, line by line; after a `turn`, wait until the encoder is at rest. */
static void serve(int i)
{
    char answer[4096], one[1024];

    if (client[i].until && client[i].until->pending)
        return;
    if (client[i].until) {
        client[i].until = NULL;
        strcpy(answer, "ok");
        answer_with(i, answer);
    }
    for (char *end; !client[i].until && (end = memchr(client[i].text, '\n', client[i].length));) {
        size_t used = (size_t)(end - client[i].text) + 1;
        memcpy(one, client[i].text, used - 1);
        one[used - 1] = 0;
        bench.turning = NULL;
        obey(one, answer, sizeof answer - 1);
        client[i].until = bench.turning;
        if (!client[i].until)
            answer_with(i, answer);
        memmove(client[i].text, client[i].text + used, client[i].length - used);
        client[i].length -= used;
    }
}

static void hear(int i)
{
    serve(i);
    ssize_t came = recv(client[i].fd, client[i].text + client[i].length, sizeof client[i].text - 1 - client[i].length,
                        MSG_DONTWAIT);
    if (came == 0 || (came < 0 && errno != EAGAIN) || client[i].length == sizeof client[i].text - 1) {
        close(client[i].fd);
        client[i].fd = -1;
        return;
    }
    if (came < 0)
        return;
    client[i].length += (size_t)came;
    client[i].text[client[i].length] = 0;
    serve(i);
}
static void control_poll(void)
{
    int fd = accept(listener, NULL, NULL);
    for (int i = 0; i < CLIENTS; i++) {
        if (fd >= 0 && client[i].fd < 0) {
            client[i].fd = fd;
            client[i].length = 0;
            client[i].until = NULL;
            fd = -1;
        } else if (client[i].fd >= 0) {
            hear(i);
        }
    }
    if (fd >= 0)
        close(fd);
}

/* Run the chip for one millisecond, then sleep for what is left of it in real time. A machine that is too slow falls behind
 * without a message; the chip's own clock stays right. */
static void run_paced(void)
{
    struct timespec next;
    clock_gettime(CLOCK_MONOTONIC, &next);
    while (!stopping) {
        if (!run_until(now_cycles() + cycles_of(1000)))
            die("the chip", "crashed");
        line_poll();
        control_poll();
        next.tv_nsec += 1000000;
        if (next.tv_nsec >= 1000000000) {
            next.tv_nsec -= 1000000000;
            next.tv_sec++;
        }
        struct timespec now;
        clock_gettime(CLOCK_MONOTONIC, &now);
        if (now.tv_sec - next.tv_sec > 1)
            next = now; /* more than a second behind, as after the machine slept: do not catch up */
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &next, NULL);
    }
}

int main(int count, char **given)
{
    const char *elf = NULL, *chip = "atmega328p", *wiring = NULL, *script = NULL;
    double baud = 115200;
    unsigned frequency = 16000000;
    elf_firmware_t firmware = {0};

    for (int i = 1; i < count; i += 2) {
        if (i + 1 == count)
            die("a value is missing after", given[i]);
        if (!strcmp(given[i], "--elf"))
            elf = given[i + 1];
        else if (!strcmp(given[i], "--chip"))
            chip = given[i + 1];
        else if (!strcmp(given[i], "--wiring"))
            wiring = given[i + 1];
        else if (!strcmp(given[i], "--script"))
            script = given[i + 1];
        else if (!strcmp(given[i], "--baud"))
            baud = atof(given[i + 1]);
        else if (!strcmp(given[i], "--frequency"))
            frequency = (unsigned)atoi(given[i + 1]);
        else
            die("unknown option", given[i]);
    }
    if (!elf || !wiring)
        die("--elf and --wiring", "are needed");
    scripted = script != NULL;
    read_wiring(wiring);
    avr_global_logger_set(quiet);
    if (elf_read_firmware(elf, &firmware))
        die("cannot read", elf);
    firmware.frequency = frequency;
    bench.avr = avr_make_mcu_by_name(chip);
    if (!bench.avr)
        die("unknown chip", chip);
    avr_init(bench.avr);
    avr_load_firmware(bench.avr, &firmware);
    bench.avr->frequency = frequency;
    bench.avr->vcc = bench.avr->avcc = bench.avr->aref = 5000;
    bench.avr->sleep = no_sleep; /* time is kept here */
    bench.avr->data[0x54] = 1;   /* MCUSR: power-on */
    library_begin('0');
    chips_begin();
    parts_begin();
    line_begin('0', baud, !scripted);
    if (scripted) {
        play_script(script);
        return 0;
    }
    signal(SIGTERM, on_signal);
    signal(SIGINT, on_signal);
    prctl(PR_SET_PDEATHSIG, SIGTERM); /* end when the process that started this one dies */
    int port = listen_on_loopback();
    printf("%s %s tcp:127.0.0.1:%d\n", bench.name[0] ? bench.name : "board", line_pty(), port);
    fflush(stdout);
    run_paced();
    return 0;
}
