/* See chip.h.
 *
 * SPDX-License-Identifier: GPL-3.0-or-later
 * This harness links libsimavr, which is under the GNU General Public License, version 3 or later; so this file is too.
 * It is a test bench only: the installed package does not contain it.
 */
#include "chip.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <math.h>
#include <simavr/sim_elf.h>
#include <string.h>

#include "analog.h"
#include "line.h"

/* Data addresses of the ATmega328P (data sheet, register summary; from memory, as avr-libc's iom328p.h has them). */
#define REG_PORTB 0x25
#define REG_ADCSRA 0x7A
#define REG_UCSR0A 0xC0
#define REG_UBRR0L 0xC4
#define REG_UBRR0H 0xC5
#define REG_SPL 0x5D
#define REG_SPH 0x5E
#define RAM_START 0x100
#define VECTORS_END 0x68
#define SWITCH_BIT 4
#define WATCHES 16

struct chip_numbers chip_numbers;

static avr_t *avr;
static avr_irq_t *adc_in[4];
static avr_irq_t *uart_in;
static unsigned selected;
static unsigned selected_before;
static uint64_t select_cycle;
static uint64_t start_cycle;
static uint64_t first_cell_cycle;
static uint64_t next_byte_cycle;

struct watch {
    struct chip_watched seen;
    int inside;
    uint16_t stack_pointer;
    uint64_t entered;
    uint64_t interrupts_then;
};
static struct watch watches[WATCHES];
static int watch_count;
static int in_interrupt;
static uint16_t interrupt_stack;
static uint64_t interrupt_entered;

static uint64_t adc_clock_cycles(void)
{
    unsigned bits = avr->data[REG_ADCSRA] & 7;

    return bits == 0 ? 2 : 1U << bits;
}

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param)
{
    union {
        avr_adc_mux_t mux;
        uint32_t value;
    } what = {.value = value};
    unsigned row = what.mux.src & 3;
    uint64_t sample = avr->cycle + adc_clock_cycles() * 3 / 2;
    unsigned counts = analog_convert(row * CELLS_PER_ROW + selected, row * CELLS_PER_ROW + selected_before, select_cycle, sample);
    unsigned mv = (counts * 5000 + 1022) / 1023;
    unsigned i;

    (void)irq;
    (void)param;
    /* The emulator looks a channel up when the result is read, by when the program has chosen the next one: all get it. */
    for (i = 0; i < 4; i++) {
        avr_raise_irq(adc_in[i], mv);
    }
    chip_numbers.conversions++;
    if (sample - select_cycle < chip_numbers.least_settle_cycles && select_cycle > 0) {
        chip_numbers.least_settle_cycles = sample - select_cycle;
    }
    start_cycle = avr->cycle;
    if (row == 0 && selected == 0) {
        if (first_cell_cycle > 0) {
            uint64_t took = avr->cycle - first_cell_cycle;

            chip_numbers.scans++;
            chip_numbers.scan_cycles_total += took;
            if (took > chip_numbers.scan_cycles_greatest) {
                chip_numbers.scan_cycles_greatest = took;
            }
        }
        first_cell_cycle = avr->cycle;
    }
}

static void on_select(avr_irq_t *irq, uint32_t value, void *param)
{
    uint64_t since = avr->cycle - start_cycle;

    (void)irq;
    (void)param;
    selected_before = selected;
    selected = value & 0x0F;
    select_cycle = avr->cycle;
    if (start_cycle == 0) {
        return;
    }
    if (since < chip_numbers.least_select_cycles) {
        chip_numbers.least_select_cycles = since;
    }
    if (since * 2 < adc_clock_cycles() * 5) {
        chip_numbers.early_selects++;
    }
}

static void on_byte_out(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    line_send((uint8_t)value);
}

void chip_clear_numbers(void)
{
    int i;

    memset(&chip_numbers, 0, sizeof chip_numbers);
    chip_numbers.least_select_cycles = UINT64_MAX;
    chip_numbers.least_settle_cycles = UINT64_MAX;
    chip_numbers.least_stack_pointer = UINT16_MAX;
    for (i = 0; i < watch_count; i++) {
        watches[i].seen.calls = 0;
        watches[i].seen.cycles = 0;
        watches[i].seen.greatest = 0;
        watches[i].inside = 0;
    }
    first_cell_cycle = 0;
}

int chip_load(const char *elf_path)
{
    elf_firmware_t firmware;
    uint32_t flags = 0;
    int i;

    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(elf_path, &firmware) != 0) {
        return 0;
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL) {
        return 0;
    }
    avr_init(avr);
    avr->log = LOG_ERROR;
    avr->frequency = 16000000;
    avr_load_firmware(avr, &firmware);
    avr->frequency = 16000000;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    for (i = 0; i < 4; i++) {
        adc_in[i] = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + i);
    }
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_conversion, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), IOPORT_IRQ_PIN_ALL), on_select, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte_out, NULL);
    uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    analog_start(avr->frequency);
    chip_press_switch(0);
    chip_clear_numbers();
    return 1;
}

uint64_t chip_cycle(void)
{
    return avr->cycle;
}

double chip_time_us(void)
{
    return (double)avr->cycle * 1e6 / avr->frequency;
}

static double cycles_per_bit(void)
{
    unsigned divisor = avr->data[REG_UBRR0L] + ((avr->data[REG_UBRR0H] & 0x0FU) << 8) + 1U;

    return divisor * ((avr->data[REG_UCSR0A] & 2) != 0 ? 8.0 : 16.0);
}

/* The emulated UART takes eleven bit times a byte; feeding it faster would only fill its buffer. */
static void feed_uart(void)
{
    uint8_t byte;

    if (avr->cycle >= next_byte_cycle && line_next(&byte)) {
        avr_raise_irq(uart_in, byte);
        next_byte_cycle = avr->cycle + (uint64_t)(11 * cycles_per_bit());
    }
}

static uint16_t stack_pointer(void)
{
    return (uint16_t)(avr->data[REG_SPL] | (avr->data[REG_SPH] << 8));
}

static void look_at_watches(uint16_t sp)
{
    int i;

    for (i = 0; i < watch_count; i++) {
        struct watch *watch = &watches[i];

        if (watch->inside && sp > watch->stack_pointer) {
            uint64_t net = avr->cycle - watch->entered - (chip_numbers.interrupt_cycles - watch->interrupts_then);

            watch->inside = 0;
            watch->seen.calls++;
            watch->seen.cycles += net;
            if (net > watch->seen.greatest) {
                watch->seen.greatest = net;
            }
        }
        if (!watch->inside && avr->pc == watch->seen.address) {
            watch->inside = 1;
            watch->stack_pointer = sp;
            watch->entered = avr->cycle;
            watch->interrupts_then = chip_numbers.interrupt_cycles;
        }
    }
}

int chip_run_until(double time_us)
{
    /* Up to the next whole cycle, or a run to a moment within one would never get there. */
    uint64_t until = (uint64_t)ceil(time_us * avr->frequency / 1e6);
    uint64_t began = avr->cycle;

    line_set_board_baud(avr->frequency / cycles_per_bit());
    while (avr->cycle < until) {
        uint64_t before = avr->cycle;
        int state = avr_run(avr);
        uint16_t sp;

        if (state == cpu_Done || state == cpu_Crashed) {
            return 0;
        }
        feed_uart();
        sp = stack_pointer();
        if (sp >= RAM_START && sp < chip_numbers.least_stack_pointer) {
            chip_numbers.least_stack_pointer = sp;
        }
        if (in_interrupt && sp > interrupt_stack) {
            in_interrupt = 0;
            chip_numbers.interrupts++;
            chip_numbers.interrupt_cycles += avr->cycle - interrupt_entered;
        }
        if (!in_interrupt && avr->pc > 0 && avr->pc < VECTORS_END) {
            in_interrupt = 1;
            interrupt_stack = sp;
            interrupt_entered = before;
        }
        if (watch_count > 0 && !in_interrupt) {
            look_at_watches(sp);
        }
    }
    chip_numbers.cycles += avr->cycle - began;
    line_set_board_baud(avr->frequency / cycles_per_bit());
    return 1;
}

void chip_brown_out(void)
{
    memset(avr->data + RAM_START, 0xA5, avr->ramend + 1U - RAM_START);
    avr_reset(avr);
    in_interrupt = 0;
    start_cycle = 0;
    select_cycle = 0;
    first_cell_cycle = 0;
    selected = 0;
    selected_before = 0;
    next_byte_cycle = 0;
    chip_press_switch(0);
}

void chip_press_switch(int pressed)
{
    avr_irq_t *pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), SWITCH_BIT);

    /* The switch pulls the pin down. The emulator drops a level that it believes is there already, also after a reset has
     * cleared the pin: so the other one first. */
    avr_raise_irq(pin, pressed ? 1 : 0);
    avr_raise_irq(pin, pressed ? 0 : 1);
}

int chip_watch(uint32_t address)
{
    if (watch_count == WATCHES) {
        return -1;
    }
    memset(&watches[watch_count], 0, sizeof watches[0]);
    watches[watch_count].seen.address = address;
    return watch_count++;
}

const struct chip_watched *chip_watched(int number)
{
    return number >= 0 && number < watch_count ? &watches[number].seen : NULL;
}
