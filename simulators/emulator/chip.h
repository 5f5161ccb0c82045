/* The emulated chip: an ATmega328P in simulated time, its converter and UART joined to analog.h and line.h.
 *
 * SPDX-License-Identifier: GPL-3.0-or-later
 * This harness links libsimavr, which is under the GNU General Public License, version 3 or later; so this file is too.
 * It is a test bench only: the installed package does not contain it.
 */
#ifndef CHIP_H
#define CHIP_H

#include <stdint.h>

struct chip_numbers {
    uint64_t conversions;
    /* Selects that came before the running conversion had surely taken its sample (2.5 converter clocks). */
    uint64_t early_selects;
    uint64_t least_select_cycles;
    uint64_t least_settle_cycles;
    /* From one first cell's start to the next, mean and greatest. */
    uint64_t scans;
    uint64_t scan_cycles_total;
    uint64_t scan_cycles_greatest;
    uint16_t least_stack_pointer;
    uint64_t interrupt_cycles;
    uint64_t interrupts;
    uint64_t cycles;
};

extern struct chip_numbers chip_numbers;

/* 0 if the program cannot be loaded. */
int chip_load(const char *elf_path);
uint64_t chip_cycle(void);
double chip_time_us(void);
/* Run until a moment of simulated time; 0 if the program crashed. */
int chip_run_until(double time_us);
/* Power dips: RAM is filled with rubbish, the EEPROM keeps its bytes. */
void chip_brown_out(void);
void chip_press_switch(int pressed);
void chip_clear_numbers(void);

/* Count the net cycles (interrupts left out) from a call of the function at this byte address to its return. */
int chip_watch(uint32_t address);
struct chip_watched {
    uint32_t address;
    uint64_t calls;
    uint64_t cycles;
    uint64_t greatest;
};
const struct chip_watched *chip_watched(int number);

#endif
