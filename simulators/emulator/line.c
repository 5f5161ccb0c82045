/* See line.h.
 *
 * SPDX-License-Identifier: GPL-3.0-or-later
 * This harness links libsimavr, which is under the GNU General Public License, version 3 or later; so this file is too.
 * It is a test bench only: the installed package does not contain it.
 */
#define _GNU_SOURCE
#include "line.h"

#include <asm/termbits.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <unistd.h>

#define OUT_ROOM 65536
#define IN_ROOM 65536

uint64_t line_sent_bytes;
uint64_t line_lost_bytes;
uint64_t line_received_bytes;

static int master = -1;
static int slave = -1;
static uint8_t out[OUT_ROOM];
static size_t out_count;
static uint8_t in[IN_ROOM];
static size_t in_count;
static size_t in_taken;
static double board_baud;

const char *line_open(void)
{
    struct termios2 settings;
    const char *path;

    master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0) {
        return NULL;
    }
    path = ptsname(master);
    if (path == NULL) {
        return NULL;
    }
    slave = open(path, O_RDWR | O_NOCTTY);
    if (slave < 0 || ioctl(slave, TCGETS2, &settings) != 0) {
        return NULL;
    }
    settings.c_iflag = 0;
    settings.c_oflag = 0;
    settings.c_lflag = 0;
    settings.c_cflag = (settings.c_cflag & ~(tcflag_t)CSIZE) | CS8;
    return ioctl(slave, TCSETS2, &settings) == 0 ? path : NULL;
}

unsigned line_host_baud(void)
{
    struct termios2 settings;

    return ioctl(slave, TCGETS2, &settings) == 0 ? settings.c_ospeed : 0;
}

void line_set_board_baud(double baud)
{
    board_baud = baud;
}

int line_speeds_agree(void)
{
    double host = line_host_baud();

    return fabs(host - board_baud) <= 0.03 * board_baud;
}

/* What a receiver at the wrong speed makes of a byte; never the byte itself. */
static uint8_t garbled(uint8_t byte)
{
    return (uint8_t)(byte ^ (uint8_t)(0x55 | (byte << 1)));
}

void line_send(uint8_t byte)
{
    line_sent_bytes++;
    if (out_count == OUT_ROOM) {
        line_lost_bytes++;
        return;
    }
    out[out_count++] = byte;
}

void line_flush(void)
{
    size_t done = 0;
    size_t i;

    if (!line_speeds_agree()) {
        for (i = 0; i < out_count; i++) {
            out[i] = garbled(out[i]);
        }
    }
    while (done < out_count) {
        ssize_t count = write(master, out + done, out_count - done);

        if (count <= 0) {
            line_lost_bytes += out_count - done;
            break;
        }
        done += (size_t)count;
    }
    out_count = 0;
}

size_t line_fetch(void)
{
    ssize_t count;
    size_t i;

    if (in_taken == in_count) {
        in_taken = 0;
        in_count = 0;
    }
    count = read(master, in + in_count, IN_ROOM - in_count);
    if (count <= 0) {
        return 0;
    }
    if (!line_speeds_agree()) {
        for (i = 0; i < (size_t)count; i++) {
            in[in_count + i] = garbled(in[in_count + i]);
        }
    }
    in_count += (size_t)count;
    line_received_bytes += (uint64_t)count;
    return (size_t)count;
}

int line_next(uint8_t *byte)
{
    if (in_taken == in_count) {
        return 0;
    }
    *byte = in[in_taken++];
    return 1;
}
