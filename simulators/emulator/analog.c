/* See analog.h.
 *
 * SPDX-License-Identifier: GPL-3.0-or-later
 * This harness links libsimavr, which is under the GNU General Public License, version 3 or later; so this file is too.
 * It is a test bench only: the installed package does not contain it.
 */
#include "analog.h"

#include <math.h>
#include <stdlib.h>

struct analog analog;

struct point {
    double time_us;
    double load_mv;
};

struct wave {
    struct point *points;
    size_t count;
    size_t room;
    /* Where the last look was: time only goes forward. */
    size_t at;
};

static struct wave waves[MAX_PLACES];

void analog_start(double clock_hz)
{
    unsigned i;

    analog.vref_mv = 5000;
    analog.clock_hz = clock_hz;
    analog.noise_counts = 0;
    analog.tau_ns = 1000;
    analog.random_state = 1;
    for (i = 0; i < MAX_PLACES; i++) {
        analog.rest_mv[i] = 100;
    }
}

int analog_point(double time_us, unsigned place, double load_mv)
{
    struct wave *wave = &waves[place];

    if (wave->count > 0 && time_us < wave->points[wave->count - 1].time_us) {
        return 0;
    }
    if (wave->count == wave->room) {
        wave->room = wave->room == 0 ? 64 : 2 * wave->room;
        wave->points = realloc(wave->points, wave->room * sizeof *wave->points);
        if (wave->points == NULL) {
            abort();
        }
    }
    wave->points[wave->count].time_us = time_us;
    wave->points[wave->count].load_mv = load_mv;
    wave->count++;
    return 1;
}

void analog_clear_points(void)
{
    unsigned i;

    for (i = 0; i < MAX_PLACES; i++) {
        waves[i].count = 0;
        waves[i].at = 0;
    }
}

double analog_cell_mv(unsigned place, double time_us)
{
    struct wave *wave = &waves[place];
    const struct point *point;
    double past;

    if (wave->count == 0 || time_us < wave->points[0].time_us) {
        return analog.rest_mv[place];
    }
    while (wave->at + 1 < wave->count && wave->points[wave->at + 1].time_us <= time_us) {
        wave->at++;
    }
    point = &wave->points[wave->at];
    if (wave->at + 1 == wave->count) {
        return analog.rest_mv[place] + point->load_mv;
    }
    past = (time_us - point[0].time_us) / (point[1].time_us - point[0].time_us);
    /* A look a little back in time, before the last corner passed, reads that corner. */
    past = past < 0 ? 0 : past;
    return analog.rest_mv[place] + point[0].load_mv + past * (point[1].load_mv - point[0].load_mv);
}

/* xorshift64* (Vigna 2016); twelve uniform numbers make a normal one. */
static double normal(void)
{
    double sum = -6;
    int i;

    for (i = 0; i < 12; i++) {
        analog.random_state ^= analog.random_state >> 12;
        analog.random_state ^= analog.random_state << 25;
        analog.random_state ^= analog.random_state >> 27;
        sum += (double)((analog.random_state * 2685821657736338717ULL) >> 11) / 9007199254740992.0;
    }
    return sum;
}

unsigned analog_convert(unsigned place, unsigned before, uint64_t switch_cycle, uint64_t sample_cycle)
{
    double time_us = (double)sample_cycle * 1e6 / analog.clock_hz;
    double mv = analog_cell_mv(place, time_us);
    double counts;

    if (analog.tau_ns > 0 && before != place) {
        double settled_ns = (double)(sample_cycle - switch_cycle) * 1e9 / analog.clock_hz;

        mv += (analog_cell_mv(before, time_us) - mv) * exp(-settled_ns / analog.tau_ns);
    }
    counts = mv * 1024 / analog.vref_mv;
    if (analog.noise_counts > 0) {
        counts += analog.noise_counts * normal();
    }
    counts = floor(counts + 0.5);
    return counts < 0 ? 0 : counts > 1023 ? 1023 : (unsigned)counts;
}
