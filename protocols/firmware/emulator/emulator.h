/* The emulated bench: the firmware's real binary on libsimavr, with the parts of a panel wired to its pins.
 *
 *   main.c    arguments, pacing, the script and the control connection
 *   wiring.c  the wiring file: which part is on which pin
 *   chips.c   74HC165 and 74HC595 chains, display drivers, the switch matrix
 *   parts.c   contacts, encoders, potentiometers; lamps and displays as the eye sees them
 *   line.c    the serial line: pseudo-terminal, or bytes at given cycles
 *   library.c corrections where libsimavr differs from the chip
 *   words.c   the words of the control connection (`protocols/hand.md`)
 *   trials.c  words that only the emulator has, for scripts and tests
 *
 * Times are emulated microseconds since power-up unless a name says otherwise. */
#ifndef EMULATOR_H
#define EMULATOR_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <simavr/avr_ioport.h>
#include <simavr/sim_avr.h>

#define MOST_PARTS 96
#define MOST_CHAIN 64 /* bits of a shift register chain */
#define MOST_DRIVERS 8

/* How many windows a lamp is measured over, weighted so that the modulation does not beat with them; the eye: EYE windows. */
#define WINDOW_US 1000u
#define WINDOWS 100
#define EYE 20
#define STEADY_US 10000u /* after this time without a change a lamp is on or off, whatever was before */

typedef struct {
    char port; /* 'B'; 0: no pin */
    int bit;
} pin_t;

typedef enum { CONTACT, ENCODER, POT, LAMP, DISPLAY } kind_t;

typedef struct {
    kind_t kind;
    char id[20];
    pin_t pin, b;      /* direct pins; an encoder's A and B */
    int chain;         /* bit of the 165 or 595 chain, or -1; of an encoder that of A */
    int chain_b;       /* an encoder's B behind the 165 chain, or -1 */
    int row, column;   /* of the matrix, or -1 */
    int adc;           /* channel */
    bool low;          /* contact: made is low; lamp: lit when low */
    bool made;
    int ab;            /* encoder: A * 2 + B at present */
    int pending;       /* encoder: counts still to be turned, signed */
    int detent;        /* counts per detent */
    int millivolts, noise_mv;
    int first, digits, step; /* display: rows of the driver chain */
    /* lamps: light integrated over windows */
    bool lit;
    uint64_t since_change, since, on_cycles, window_start;
    double part[WINDOWS]; /* share of each of the last windows, at `windows` the oldest */
    unsigned windows;
    uint64_t rose, longest_rise; /* the longest time between two rises of the modulation */
    int rises;
    bool seen_lit;
    uint64_t flash_at[4]; /* times of the last flashes, in windows' ends */
    int flashes, most_flashes;
} part_t;

typedef struct {
    avr_t *avr;
    part_t part[MOST_PARTS];
    int parts;
    struct { pin_t data, clock, load; int bits; uint64_t image; int loads; uint64_t last_load, first_load;
             uint64_t shortest, longest; } in;           /* 74HC165 */
    struct { pin_t data, clock, latch, enable; int bits; uint64_t shift, out; bool on_spi; } out; /* 74HC595 */
    struct { pin_t data, clock, load; int chips; uint8_t shift[MOST_DRIVERS * 2];
             uint8_t reg[MOST_DRIVERS][16]; unsigned long writes; unsigned long control_writes; bool on_spi; } drivers; /* MAX7219 type */
    struct { pin_t row[8], column[8]; int rows, columns; bool diodes, update_due; } matrix;
    char name[20];
    int resets;
    uint64_t clock_zero; /* cycle at which timer 1 was at 0 when last started */
    part_t *turning; /* the answer waits until this encoder is at rest */
} bench_t;

extern bench_t bench;

/* --- time --- */
uint64_t now_us(void);
uint64_t now_cycles(void);
uint64_t us_of(uint64_t cycles);
uint64_t cycles_of(double us);
typedef uint64_t (*later_t)(uint64_t when, void *param); /* returns the cycle of the next call, 0: none */
void call_at(uint64_t cycle, later_t call, void *param);  /* survives a reset of the chip */

/* --- pins --- */
avr_irq_t *pin_irq(pin_t pin);
void drive(pin_t pin, bool high);         /* from outside, with the pull of a closed or open contact */
bool pin_is(const pin_t *pin, const struct avr_irq_t *irq);

/* --- wiring.c --- */
void read_wiring(const char *path);       /* ends the program with a one-line message if the file is wrong */
part_t *find_part(const char *id, int kind); /* kind -1: any */

/* --- chips.c --- */
void chips_begin(void);
void chips_power_up(void);                /* the supply was switched on: registers as after power-up */
void chips_again(void);
void chain_byte(uint8_t byte);            /* shifted out by the chip's own SPI */
uint8_t drivers_row(int row);             /* segments really lit in this row of the chain */
void matrix_update(void);

/* --- parts.c --- */
void parts_begin(void);
void parts_again(void);                   /* after a reset of the chip: levels at its pins as they were */
void contact_set(part_t *part, bool made);
void encoder_turn(part_t *part, int counts);
void pot_millivolts(part_t *part, int millivolts);
void pot_put(part_t *part, int permille);
void lamp_level(part_t *part, bool lit);
double lamp_duty(part_t *part);           /* 0 to 1 */
int lightness(double duty);               /* permille, CIE 1976 */

/* --- line.c --- */
void line_begin(char uart, double baud, bool pty);
const char *line_pty(void);
void line_put(const uint8_t *bytes, size_t length); /* to the chip, at the line's pace */
void line_poll(void);                     /* pseudo-terminal: read what came, write what is to be sent */
bool line_quiet(void);
unsigned long line_overruns(void);
unsigned long line_received(void);

/* --- library.c --- */
void library_begin(char uart);            /* after avr_init, before anything else uses the chip */
void receiver_start_bit(void);
void receiver_byte(uint8_t byte);         /* complete: in the middle of its stop bit */
int stack_depth(void);                    /* bytes, the most since power-up or the last reset */

/* --- words.c --- */
void obey(char *line, char *answer, size_t room);

bool obey_trial(const char *word, char *rest, char *answer, size_t room); /* trials.c; false: unknown */
void window_answered(void);               /* an answer has come */

/* --- main.c --- */
void say(const char *form, ...);          /* one line of the script's log */
void stop(void);
extern bool scripted;

#endif
