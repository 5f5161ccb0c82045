/* The emulated board on a pseudo terminal, told what to do line by line (README.md).
 *
 * SPDX-License-Identifier: GPL-3.0-or-later
 * This harness links libsimavr, which is under the GNU General Public License, version 3 or later; so this file is too.
 * It is a test bench only: the installed package does not contain it.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "analog.h"
#include "chip.h"
#include "line.h"

/* The line is looked at this often in simulated time. */
#define STEP_US 1000.0
/* How long `take` waits for bytes that a host has written already. */
#define TAKE_TRIES 2000

static int fail(const char *what)
{
    printf("error %s\n", what);
    fflush(stdout);
    return 1;
}

static void say_ran(void)
{
    printf("ran %.3f sent %llu lost %llu received %llu\n", chip_time_us(), (unsigned long long)line_sent_bytes,
           (unsigned long long)line_lost_bytes, (unsigned long long)line_received_bytes);
    fflush(stdout);
}

static int step_until(double until_us)
{
    while (chip_time_us() < until_us) {
        double next = chip_time_us() + STEP_US;

        if (!chip_run_until(next < until_us ? next : until_us)) {
            return 0;
        }
        line_flush();
    }
    return 1;
}

static void take(size_t wanted)
{
    struct timespec pause = {0, 1000000};
    size_t come = 0;
    int tries;

    for (tries = 0; come < wanted && tries < TAKE_TRIES; tries++) {
        size_t count = line_fetch();

        come += count;
        if (count == 0) {
            nanosleep(&pause, NULL);
        }
    }
    printf("took %zu\n", come);
    fflush(stdout);
}

static void say_numbers(void)
{
    const struct chip_numbers *n = &chip_numbers;

    printf("{\"conversions\": %llu, \"early_selects\": %llu, \"least_select_cycles\": %llu, \"least_settle_cycles\": %llu, "
           "\"scans\": %llu, \"scan_cycles_mean\": %.2f, \"scan_cycles_greatest\": %llu, \"least_stack_pointer\": %u, "
           "\"interrupts\": %llu, \"interrupt_cycles\": %llu, \"cycles\": %llu}\n",
           (unsigned long long)n->conversions, (unsigned long long)n->early_selects,
           (unsigned long long)n->least_select_cycles, (unsigned long long)n->least_settle_cycles,
           (unsigned long long)n->scans, n->scans > 0 ? (double)n->scan_cycles_total / (double)n->scans : 0.0,
           (unsigned long long)n->scan_cycles_greatest, n->least_stack_pointer, (unsigned long long)n->interrupts,
           (unsigned long long)n->interrupt_cycles, (unsigned long long)n->cycles);
    fflush(stdout);
}

static void say_watched(int number)
{
    const struct chip_watched *seen = chip_watched(number);

    if (seen == NULL) {
        fail("no such watch");
        return;
    }
    printf("{\"calls\": %llu, \"cycles\": %llu, \"greatest\": %llu}\n", (unsigned long long)seen->calls,
           (unsigned long long)seen->cycles, (unsigned long long)seen->greatest);
    fflush(stdout);
}

/* Keep to real time until a line comes in, or the input ends. */
static int keep_real_time(void)
{
    struct pollfd input = {STDIN_FILENO, POLLIN, 0};
    struct timespec began;
    double began_us = chip_time_us();

    clock_gettime(CLOCK_MONOTONIC, &began);
    while (poll(&input, 1, 0) == 0) {
        struct timespec now;
        double due_us;

        line_fetch();
        clock_gettime(CLOCK_MONOTONIC, &now);
        due_us = began_us + (double)(now.tv_sec - began.tv_sec) * 1e6 + (double)(now.tv_nsec - began.tv_nsec) / 1e3;
        if (due_us <= chip_time_us()) {
            struct timespec pause = {0, 200000};

            nanosleep(&pause, NULL);
            continue;
        }
        if (due_us > chip_time_us() + STEP_US) {
            due_us = chip_time_us() + STEP_US;
        }
        if (!step_until(due_us)) {
            return 0;
        }
    }
    return 1;
}

/* 0 at `quit`, -1 on a line that makes no sense, 1 otherwise. */
static int obey(char *line)
{
    double a;
    double b;
    unsigned place;
    char word[16];
    int said = sscanf(line, "%15s", word);

    if (said != 1 || word[0] == '#') {
        return 1;
    }
    if (strcmp(word, "w") == 0) {
        if (sscanf(line, "w %lf %u %lf", &a, &place, &b) != 3 || place >= MAX_PLACES || !analog_point(a, place, b)) {
            return -1;
        }
    } else if (strcmp(word, "rest") == 0) {
        if (sscanf(line, "rest %u %lf", &place, &a) != 2 || place >= MAX_PLACES) {
            return -1;
        }
        analog.rest_mv[place] = a;
    } else if (sscanf(line, "seed %lf", &a) == 1) {
        analog.random_state = (uint64_t)a * 2 + 1;
    } else if (sscanf(line, "noise %lf", &a) == 1) {
        analog.noise_counts = a;
    } else if (sscanf(line, "tau_ns %lf", &a) == 1) {
        analog.tau_ns = a;
    } else if (strcmp(word, "still") == 0) {
        analog_clear_points();
    } else if (sscanf(line, "run %lf", &a) == 1) {
        if (!step_until(chip_time_us() + a)) {
            fail("the program on the chip has crashed");
            return 0;
        }
        say_ran();
    } else if (sscanf(line, "take %lf", &a) == 1) {
        take((size_t)a);
    } else if (strcmp(word, "realtime") == 0) {
        if (!keep_real_time()) {
            fail("the program on the chip has crashed");
            return 0;
        }
        say_ran();
    } else if (sscanf(line, "press %lf", &a) == 1) {
        chip_press_switch(a != 0);
    } else if (strcmp(word, "brownout") == 0) {
        chip_brown_out();
    } else if (strcmp(word, "baud") == 0) {
        printf("baud %u agree %d\n", line_host_baud(), line_speeds_agree());
        fflush(stdout);
    } else if (sscanf(line, "watch %lf", &a) == 1) {
        printf("watch %d\n", chip_watch((uint32_t)a));
        fflush(stdout);
    } else if (sscanf(line, "watched %lf", &a) == 1) {
        say_watched((int)a);
    } else if (strcmp(word, "clear") == 0) {
        chip_clear_numbers();
    } else if (strcmp(word, "numbers") == 0) {
        say_numbers();
    } else if (strcmp(word, "quit") == 0) {
        return 0;
    } else {
        return -1;
    }
    return 1;
}

int main(int argc, char **argv)
{
    static char line[256];
    const char *path;
    int state = 1;

    if (argc != 2) {
        fprintf(stderr, "usage: emulator FIRMWARE.elf   (then commands on standard input, see README.md)\n");
        return 2;
    }
    /* Commands must not wait in a buffer of the library: `realtime` looks at the descriptor itself. */
    setvbuf(stdin, NULL, _IONBF, 0);
    path = line_open();
    if (path == NULL) {
        return fail("no pseudo terminal to be had");
    }
    if (!chip_load(argv[1])) {
        return fail("cannot load the firmware: build it first, and name its .elf");
    }
    printf("started %s\n", path);
    fflush(stdout);
    while (state != 0 && fgets(line, sizeof line, stdin) != NULL) {
        state = obey(line);
        if (state < 0) {
            line[strcspn(line, "\n")] = '\0';
            printf("error cannot obey '%.100s'\n", line);
            fflush(stdout);
        }
    }
    return 0;
}
