/* The chips between the microcontroller and the panel, driven by the pins alone, as the real chips are. */
#include <string.h>

#include "emulator.h"

/* Font of code B, as the display driver decodes it itself (MAX7219/MAX7221 data sheet, table 5). */
static const uint8_t code_b[16] = {0x7E, 0x30, 0x6D, 0x79, 0x33, 0x5B, 0x5F, 0x70,
                                   0x7F, 0x7B, 0x01, 0x4F, 0x37, 0x0E, 0x67, 0x00};

static bool level(pin_t pin)
{
    return pin.port && (pin_irq(pin)->value & 1);
}

/* --- 74HC165: load low latches all inputs at once; each rising clock shifts by one; the last chip's Q7 is the data --- */

static void in_present(void)
{
    drive(bench.in.data, (bench.in.image >> (bench.in.bits - 1)) & 1);
}

static void in_load(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)unused;
    if ((value & 1) || !(irq->value & 1))
        return;
    bench.in.image = 0;
    /* Bit 0 is input A of the nearest chip. Its output is QH, so its input H (bit 7) comes out first and is at the top. */
    for (int place = 0; place < bench.in.bits; place++) {
        int bit = (place & ~7) + 7 - (place & 7);
        bool high = true; /* unused inputs are pulled up */
        for (int i = 0; i < bench.parts; i++) {
            const part_t *part = &bench.part[i];
            if (part->kind == CONTACT && part->chain == bit)
                high = part->made != part->low;
            else if (part->kind == ENCODER && (part->chain == bit || part->chain_b == bit))
                high = part->ab >> (part->chain == bit) & 1;
        }
        bench.in.image |= (uint64_t)high << (bench.in.bits - 1 - place);
    }
    uint64_t at = now_cycles();
    if (bench.in.loads++ > 1) {
        uint64_t gap = at - bench.in.last_load;
        if (gap < bench.in.shortest || !bench.in.shortest)
            bench.in.shortest = gap;
        if (gap > bench.in.longest)
            bench.in.longest = gap;
    } else {
        bench.in.first_load = at;
    }
    bench.in.last_load = at;
    in_present();
}

static void in_clock(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)unused;
    if (!(value & 1) || (irq->value & 1) || !level(bench.in.load))
        return;
    bench.in.image = bench.in.image << 1 | 1;
    in_present();
}

/* --- 74HC595: a rising clock shifts data in, a rising latch outputs it --- */

static void out_bit(bool high)
{
    bench.out.shift = bench.out.shift << 1 | high;
}

static void out_clock(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)unused;
    if ((value & 1) && !(irq->value & 1))
        out_bit(level(bench.out.data));
}

/* With OE high all outputs are open; a pull-up holds OE high while nothing drives it. */
static void out_show(void)
{
    bool enabled = true;
    pin_t oe = bench.out.enable;
    avr_ioport_state_t state;

    if (oe.port && avr_ioctl(bench.avr, AVR_IOCTL_IOPORT_GETSTATE(oe.port), &state) == 0)
        enabled = (state.ddr >> oe.bit & 1) && !(state.port >> oe.bit & 1);
    for (int i = 0; i < bench.parts; i++) {
        part_t *part = &bench.part[i];
        if (part->kind == LAMP && part->chain >= 0)
            lamp_level(part, enabled && ((bench.out.out >> part->chain) & 1) != part->low);
    }
}

static void out_latch(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)unused;
    if (!(value & 1) || (irq->value & 1))
        return;
    bench.out.out = bench.out.shift;
    out_show();
}

static void out_enable(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)value, (void)unused;
    out_show();
}

/* --- MAX7219-type drivers: sixteen bits each, taken over on the rising edge of load --- */

static void driver_bit(bool high)
{
    int bytes = bench.drivers.chips * 2;
    int carry = high;
    /* Byte 0 and 1 are the chip nearest to the microcontroller, low byte first. */
    for (int i = 0; i < bytes; i++) {
        int top = bench.drivers.shift[i] >> 7;
        bench.drivers.shift[i] = (uint8_t)(bench.drivers.shift[i] << 1 | carry);
        carry = top;
    }
}

static void driver_clock(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)unused;
    if ((value & 1) && !(irq->value & 1))
        driver_bit(level(bench.drivers.data));
}

/* In the emulator the pins do not show what the chip's own SPI shifts, so the chains on MOSI get those bytes here. */
void chain_byte(uint8_t value)
{
    for (int bit = 7; bit >= 0; bit--) {
        if (bench.out.on_spi)
            out_bit(value >> bit & 1);
        if (bench.drivers.on_spi)
            driver_bit(value >> bit & 1);
    }
}

static void driver_load(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)unused;
    if (!(value & 1) || (irq->value & 1))
        return;
    for (int chip = 0; chip < bench.drivers.chips; chip++) {
        uint8_t data = bench.drivers.shift[chip * 2], number = bench.drivers.shift[chip * 2 + 1] & 0x0F;
        if (number) {
            bench.drivers.reg[chip][number] = data;
            bench.drivers.writes++;
            bench.drivers.control_writes += number >= 9;
        }
    }
}

uint8_t drivers_row(int row)
{
    int chip = row / 8, place = row % 8;
    if (chip < 0 || chip >= bench.drivers.chips)
        return 0;
    const uint8_t *reg = bench.drivers.reg[chip];
    if (reg[0x0F] & 1)
        return 0xFF; /* display test overrides shutdown */
    if (!(reg[0x0C] & 1) || place > (reg[0x0B] & 7))
        return 0;
    uint8_t data = reg[place + 1];
    return (reg[9] >> place) & 1 ? (uint8_t)(code_b[data & 0x0F] | (data & 0x80)) : data;
}

/* --- a switch matrix: a row driven low pulls a column low through every made contact; without diodes current finds
 *     its way through three made contacts to a fourth that is open --- */

void matrix_update(void)
{
    bool row_low[8] = {false}, column_low[8] = {false};
    for (int r = 0; r < bench.matrix.rows; r++) {
        avr_ioport_state_t state;
        pin_t pin = bench.matrix.row[r];
        if (avr_ioctl(bench.avr, AVR_IOCTL_IOPORT_GETSTATE(pin.port), &state) == 0)
            row_low[r] = (state.ddr >> pin.bit & 1) && !(state.port >> pin.bit & 1);
    }
    for (bool again = true; again;) {
        again = false;
        for (int i = 0; i < bench.parts; i++) {
            const part_t *part = &bench.part[i];
            if (part->kind != CONTACT || part->row < 0 || !part->made)
                continue;
            if (row_low[part->row] && !column_low[part->column])
                column_low[part->column] = again = true;
            if (!bench.matrix.diodes && column_low[part->column] && !row_low[part->row])
                row_low[part->row] = again = true;
        }
    }
    for (int c = 0; c < bench.matrix.columns; c++)
        drive(bench.matrix.column[c], !column_low[c]);
}

static uint64_t matrix_later(uint64_t when, void *unused)
{
    (void)when, (void)unused;
    bench.matrix.update_due = false;
    matrix_update();
    return 0;
}

/* libsimavr reports a change of direction before it has stored it. */
static void matrix_row(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)value, (void)unused;
    if (!bench.matrix.update_due)
        call_at(now_cycles() + 1, matrix_later, NULL);
    bench.matrix.update_due = true;
}

void chips_power_up(void)
{
    memset(bench.drivers.reg, 0, sizeof bench.drivers.reg); /* shut down and blank (MAX7219/MAX7221 data sheet, initial power-up) */
    bench.out.shift = bench.out.out = 0;                    /* a real one outputs random levels until it is written */
    out_show();
}

/* A reset of the microcontroller releases OE. */
void chips_again(void)
{
    out_show();
}

static void on(pin_t pin, avr_irq_notify_t notify)
{
    if (pin.port)
        avr_irq_register_notify(pin_irq(pin), notify, NULL);
}

void chips_begin(void)
{
    /* MOSI is B3 on the ATmega328P, B2 on the ATmega2560 (data sheets, alternate functions of port B). */
    int mosi = strstr(bench.avr->mmcu, "2560") ? 2 : 3;

    bench.out.on_spi = bench.out.data.port == 'B' && bench.out.data.bit == mosi;
    bench.drivers.on_spi = bench.drivers.data.port == 'B' && bench.drivers.data.bit == mosi;
    on(bench.in.load, in_load);
    on(bench.in.clock, in_clock);
    on(bench.out.clock, out_clock);
    on(bench.out.latch, out_latch);
    on(bench.out.enable, out_enable);
    if (bench.out.enable.port)
        avr_irq_register_notify(
            avr_io_getirq(bench.avr, AVR_IOCTL_IOPORT_GETIRQ(bench.out.enable.port), IOPORT_IRQ_DIRECTION_ALL), out_enable,
            NULL);
    on(bench.drivers.clock, driver_clock);
    on(bench.drivers.load, driver_load);
    for (int r = 0; r < bench.matrix.rows; r++) {
        on(bench.matrix.row[r], matrix_row);
        avr_irq_register_notify(
            avr_io_getirq(bench.avr, AVR_IOCTL_IOPORT_GETIRQ(bench.matrix.row[r].port), IOPORT_IRQ_DIRECTION_ALL),
            matrix_row, NULL);
    }
    if (bench.matrix.rows)
        matrix_update();
}
