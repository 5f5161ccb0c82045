/* The strip in front of the emulated converter: pressure over time, multiplexer settling, sampling, noise.
 *
 * SPDX-License-Identifier: GPL-3.0-or-later
 * This harness links libsimavr, which is under the GNU General Public License, version 3 or later; so this file is too.
 * It is a test bench only: the installed package does not contain it.
 */
#ifndef ANALOG_H
#define ANALOG_H

#include <stdint.h>

#define MAX_PLACES 64
#define CELLS_PER_ROW 16

struct analog {
    double vref_mv;
    double clock_hz;
    /* RMS, in counts of ten bits, added before rounding. */
    double noise_counts;
    /* Time constant with which the multiplexer's output follows a change of cell. */
    double tau_ns;
    double rest_mv[MAX_PLACES];
    uint64_t random_state;
};

extern struct analog analog;

void analog_start(double clock_hz);
/* One corner of a cell's load over time (above rest, joined by straight lines); times must go up. 0 if out of order. */
int analog_point(double time_us, unsigned place, double load_mv);
void analog_clear_points(void);
/* Voltage of a cell at a moment, mV. */
double analog_cell_mv(unsigned place, double time_us);
/* What ten bits say of `place`, sampled at `sample_cycle`, the multiplexer having left `before` at `switch_cycle`. */
unsigned analog_convert(unsigned place, unsigned before, uint64_t switch_cycle, uint64_t sample_cycle);

#endif
