/* Corrections where libsimavr 1.6 differs from the chip, made here and not in the firmware.
 *
 *   compare units   Writing OCRnx while a timer runs free makes the library arm its compare events again from that moment, so
 *                   that firmware which advances OCRnx by a period, as is usual, sees hardly any of them. Here a match
 *                   comes when the counter has passed OCRnx, whenever that was written (ATmega328P data sheet, timer 1).
 *   masks           A flag that was set while its bit in TIMSK1 was clear is forgotten there. Here it waits, as in the data sheet.
 *   SPI             A byte takes 100 us there, whatever the clock. Here it is eight bits of the divided clock.
 *   receiver        A queue of 64 bytes there, so that nothing is ever lost. Here two bytes and the shift register; when a
 *                   start bit finds all three full, the byte in the shift register is lost, and DOR stands by the next one
 *                   that is read (data sheet, USART, receiver error flags).
 *   sender          Its rate is wrong there if U2X is written after UBRRn. Here it is right whichever comes first.
 *   interrupts      Entering one takes no time there. Here it takes four cycles (data sheet, interrupt response time).
 *   EEPROM          A byte is written at once there. Here it takes 3.4 ms (data sheet, EEPROM programming time).
 *   reset           The library forgets every timer that was set, ours among them, when the watchdog bites. Here they are set
 *                   again, and pins are driven as they were.
 *   lamps           Nothing drives a pin while its chip is in reset. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_eeprom.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_io.h>

#include "emulator.h"

#define MOST_LATER 64

static avr_io_t *io_of(const char *kind, char name)
{
    for (avr_io_t *io = bench.avr->io_port; io; io = io->next) {
        if (strcmp(io->kind, kind))
            continue;
        char own = !strcmp(kind, "timer") ? ((avr_timer_t *)io)->name : !strcmp(kind, "uart") ? ((avr_uart_t *)io)->name : name;
        if (own == name)
            return io;
    }
    return NULL;
}

/* --- calls at a later cycle, which survive a reset of the chip --- */

static struct {
    later_t call;
    void *param;
    uint64_t when;
} waiting[MOST_LATER];

static avr_cycle_count_t wake(avr_t *avr, avr_cycle_count_t when, void *slot)
{
    int i = (int)(intptr_t)slot;
    (void)when;
    /* The library calls between two instructions; the parts must see the cycle that was asked for. */
    uint64_t next = waiting[i].call(waiting[i].when, waiting[i].param);
    if (!next) {
        waiting[i].call = NULL;
        return 0;
    }
    waiting[i].when = next;
    return next > avr->cycle ? next : avr->cycle + 1;
}

void call_at(uint64_t cycle, later_t call, void *param)
{
    for (int i = 0; i < MOST_LATER; i++)
        if (!waiting[i].call) {
            waiting[i].call = call;
            waiting[i].param = param;
            waiting[i].when = cycle;
            uint64_t now = now_cycles();
            avr_cycle_timer_register(bench.avr, cycle > now ? cycle - now : 1, wake, (void *)(intptr_t)i);
            return;
        }
    fprintf(stderr, "emulator: too much is to be called later\n");
    exit(2);
}

/* --- compare units of timer 1, running free --- */

static struct compare {
    avr_timer_t *timer;
    avr_timer_comp_t *unit;
    avr_io_addr_t low, high;
} compare[2];

static avr_cycle_count_t matched(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct compare *c = param;
    avr_raise_interrupt(avr, &c->unit->interrupt);
    return when + c->timer->tov_cycles;
}

static void arm(struct compare *c)
{
    uint64_t turn = c->timer->tov_cycles, now = now_cycles();
    avr_cycle_timer_cancel(bench.avr, matched, c);
    if (!c->timer->cs_div_value || turn < 2)
        return;
    uint64_t ocr = bench.avr->data[c->low] | bench.avr->data[c->high] << 8;
    /* The flag is set as the counter advances from the value that matches. */
    uint64_t at = c->timer->tov_base + (ocr + 1) * (turn / 65536);
    while (at <= now)
        at += turn;
    avr_cycle_timer_register(bench.avr, at - now, matched, c);
}

static struct {
    avr_io_write_t write;
    void *param;
} library_write[MAX_IOs];

static void ocr_written(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *param)
{
    avr->data[addr] = value;
    arm(param);
}

static void timer_written(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *unused)
{
    (void)unused;
    library_write[AVR_DATA_TO_IO(addr)].write(avr, addr, value, library_write[AVR_DATA_TO_IO(addr)].param);
    bench.clock_zero = compare[0].timer->tov_base;
    arm(&compare[0]);
    arm(&compare[1]);
}

/* Call `ours` before the library's own function when this register is written. */
static void before_library(avr_io_addr_t addr, avr_io_write_t ours)
{
    int io = AVR_DATA_TO_IO(addr);
    if (!addr || !bench.avr->io[io].w.c)
        return;
    library_write[io].write = bench.avr->io[io].w.c;
    library_write[io].param = bench.avr->io[io].w.param;
    bench.avr->io[io].w.c = ours;
}

static void mask_written(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *param)
{
    avr_timer_t *timer = param;
    avr_int_vector_t *vector[3] = {&timer->overflow, &timer->comp[0].interrupt, &timer->comp[1].interrupt};
    avr->data[addr] = value;
    for (int i = 0; i < 3; i++)
        if (avr_regbit_get(avr, vector[i]->raised) && avr_regbit_get(avr, vector[i]->enable))
            avr_raise_interrupt(avr, vector[i]);
}

static void compare_begin(void)
{
    avr_timer_t *timer = (avr_timer_t *)io_of("timer", '1');
    int mask = AVR_DATA_TO_IO(timer->overflow.enable.reg);

    bench.avr->io[mask].w.c = mask_written;
    bench.avr->io[mask].w.param = timer;
    for (int i = 0; i < 2; i++) {
        avr_timer_comp_t *unit = &timer->comp[i];
        compare[i] = (struct compare){timer, unit, unit->r_ocr, unit->r_ocrh};
        int io = AVR_DATA_TO_IO(unit->r_ocr);
        bench.avr->io[io].w.c = ocr_written;
        bench.avr->io[io].w.param = &compare[i];
        unit->r_ocr = 0; /* the library leaves units without a register alone */
    }
    before_library(timer->cs[0].reg, timer_written);
    before_library(timer->r_tcnt, timer_written);
}

/* --- SPI --- */

static avr_cycle_count_t spi_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    avr_spi_t *spi = param;
    (void)when;
    avr->data[spi->r_spdr] = 0xFF; /* nothing answers: the line is pulled up */
    avr_raise_interrupt(avr, &spi->spi);
    return 0;
}

static void spdr_written(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *param)
{
    static const uint8_t divider[8] = {4, 16, 64, 128, 2, 8, 32, 64}; /* SPI2X SPR1 SPR0 (data sheet, SPI) */
    avr_spi_t *spi = param;
    (void)addr;
    if (!avr_regbit_get(avr, spi->spe) || !avr_regbit_get(avr, spi->mstr))
        return;
    avr_clear_interrupt(avr, &spi->spi);
    chain_byte(value);
    int rate = (avr->data[spi->r_spcr] & 3) | (avr->data[spi->r_spsr] & 1) << 2;
    avr_cycle_timer_register(avr, 8u * divider[rate], spi_done, spi);
}

static uint8_t spdr_read(avr_t *avr, avr_io_addr_t addr, void *param)
{
    avr_clear_interrupt(avr, &((avr_spi_t *)param)->spi);
    return avr->data[addr];
}

static void spi_begin(void)
{
    avr_spi_t *spi = (avr_spi_t *)io_of("spi", '0');
    int io = AVR_DATA_TO_IO(spi->r_spdr);
    bench.avr->io[io].w.c = spdr_written;
    bench.avr->io[io].r.c = spdr_read;
    bench.avr->io[io].w.param = bench.avr->io[io].r.param = spi;
}

/* --- the receiver --- */

static struct {
    avr_uart_t *uart;
    struct { uint8_t byte; bool overrun; } held[3]; /* two, and the shift register */
    int count;
    bool lost;
    unsigned long overruns;
} receiver;

unsigned long line_overruns(void) { return receiver.overruns; }

void receiver_start_bit(void)
{
    if (receiver.count == 3) {
        receiver.count--;
        receiver.overruns++;
        receiver.lost = true;
    }
}

void receiver_byte(uint8_t byte)
{
    if (!avr_regbit_get(bench.avr, receiver.uart->rxen))
        return;
    receiver.held[receiver.count].byte = byte;
    receiver.held[receiver.count++].overrun = receiver.lost;
    receiver.lost = false;
    avr_raise_interrupt(bench.avr, &receiver.uart->rxc);
}

static uint8_t udr_read(avr_t *avr, avr_io_addr_t addr, void *unused)
{
    uint8_t byte = receiver.held[0].byte;
    (void)addr, (void)unused;
    if (receiver.count) {
        receiver.count--;
        memmove(receiver.held, receiver.held + 1, sizeof receiver.held - sizeof *receiver.held);
    }
    avr_clear_interrupt(avr, &receiver.uart->rxc);
    if (receiver.count)
        avr_raise_interrupt(avr, &receiver.uart->rxc);
    return byte;
}

static uint8_t status_read(avr_t *avr, avr_io_addr_t addr, void *unused)
{
    uint8_t overrun = (uint8_t)(1u << receiver.uart->dor.bit);
    (void)unused;
    return (uint8_t)((avr->data[addr] & ~overrun) | (receiver.count && receiver.held[0].overrun ? overrun : 0));
}

static void control_written(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *unused)
{
    (void)unused;
    library_write[AVR_DATA_TO_IO(addr)].write(avr, addr, value, library_write[AVR_DATA_TO_IO(addr)].param);
    if (receiver.count) /* bytes came before the interrupt was let through */
        avr_raise_interrupt(avr, &receiver.uart->rxc);
}

/* The library takes U2X into account only when UBRRn is written after it. */
static void rate_written(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *unused)
{
    avr_uart_t *uart = receiver.uart;
    (void)unused;
    library_write[AVR_DATA_TO_IO(addr)].write(avr, addr, value, library_write[AVR_DATA_TO_IO(addr)].param);
    unsigned ubrr = avr_regbit_get_array(avr, &uart->ubrrl, 1) | (avr_regbit_get(avr, uart->ubrrh) << 8);
    uart->cycles_per_byte = 10u * (avr_regbit_get(avr, uart->u2x) ? 8u : 16u) * (ubrr + 1u);
}

static void receiver_begin(char uart)
{
    receiver.uart = (avr_uart_t *)io_of("uart", uart);
    if (!receiver.uart) {
        fprintf(stderr, "emulator: this chip has no UART %c\n", uart);
        exit(2);
    }
    bench.avr->io[AVR_DATA_TO_IO(receiver.uart->r_udr)].r.c = udr_read;
    bench.avr->io[AVR_DATA_TO_IO(receiver.uart->r_ucsra)].r.c = status_read;
    before_library(receiver.uart->r_ucsrb, control_written);
    before_library(receiver.uart->r_ucsra, rate_written);
    before_library(receiver.uart->ubrrl.reg, rate_written);
}

/* --- interrupts --- */

static void entered(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    if (value)
        bench.avr->cycle += 4;
}

static void interrupts_begin(void)
{
    for (unsigned vector = 1; vector < 64; vector++) {
        avr_irq_t *irq = avr_get_interrupt_irq(bench.avr, (uint8_t)vector);
        if (irq)
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, entered, NULL);
    }
}

/* --- EEPROM --- */

#define EEPROM_US 3400.0

static struct {
    avr_eeprom_t *rom;
    bool busy;
} eeprom;

static uint64_t eeprom_done(uint64_t when, void *unused)
{
    (void)when, (void)unused;
    eeprom.busy = false;
    avr_regbit_clear(bench.avr, eeprom.rom->eepe);
    return 0;
}

static void eecr_written(avr_t *avr, avr_io_addr_t addr, uint8_t value, void *unused)
{
    uint8_t eepe = (uint8_t)(1u << eeprom.rom->eepe.bit), eempe = (uint8_t)(1u << eeprom.rom->eempe.bit);
    bool begins = !eeprom.busy && (value & eepe) && ((value | avr->data[addr]) & eempe);
    (void)unused;
    if (eeprom.busy)
        value &= (uint8_t)~eepe; /* it is set in the register already, and starts nothing */
    library_write[AVR_DATA_TO_IO(addr)].write(avr, addr, value, library_write[AVR_DATA_TO_IO(addr)].param);
    if (begins)
        call_at(now_cycles() + cycles_of(EEPROM_US), eeprom_done, NULL);
    eeprom.busy |= begins;
    if (eeprom.busy)
        avr_regbit_set(avr, eeprom.rom->eepe);
}

static void eeprom_begin(void)
{
    eeprom.rom = (avr_eeprom_t *)io_of("eeprom", '0');
    if (eeprom.rom)
        before_library(eeprom.rom->r_eecr, eecr_written);
}

/* --- stack: memory is filled with a pattern, and where the pattern ends the stack has been --- */

#define PAINT 0xA5
static int deepest;

static void paint(void)
{
    memset(bench.avr->data + bench.avr->ioend + 1, PAINT, (size_t)(bench.avr->ramend - bench.avr->ioend));
}

int stack_depth(void)
{
    /* Holes in the stack's frames may keep the pattern; the longest stretch of it is memory that was never used. */
    int best = 0, run = 0, top = bench.avr->ramend + 1;
    for (int at = bench.avr->ioend + 1; at <= bench.avr->ramend; at++) {
        run = bench.avr->data[at] == PAINT ? run + 1 : 0;
        if (run > best) {
            best = run;
            top = at + 1;
        }
    }
    int depth = bench.avr->ramend + 1 - top;
    if (depth > deepest)
        deepest = depth;
    return deepest;
}

/* --- reset, whatever its cause --- */

static void after_reset(avr_io_t *io)
{
    uint64_t now = now_cycles();
    (void)io;
    for (int i = 0; i < MOST_LATER; i++)
        if (waiting[i].call)
            avr_cycle_timer_register(bench.avr, waiting[i].when > now ? waiting[i].when - now : 1, wake, (void *)(intptr_t)i);
    receiver.count = 0;
    receiver.lost = false;
    bench.resets++;
    paint();
    parts_again();
}

void library_begin(char uart)
{
    static avr_io_t hook = {.kind = "bench", .reset = after_reset};

    compare_begin();
    spi_begin();
    receiver_begin(uart);
    eeprom_begin();
    interrupts_begin();
    avr_register_io(bench.avr, &hook);
    paint();
}
