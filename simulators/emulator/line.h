/* The emulated UART's far end: a pseudo terminal, with the checks that a wire would make.
 *
 * SPDX-License-Identifier: GPL-3.0-or-later
 * This harness links libsimavr, which is under the GNU General Public License, version 3 or later; so this file is too.
 * It is a test bench only: the installed package does not contain it.
 */
#ifndef LINE_H
#define LINE_H

#include <stddef.h>
#include <stdint.h>

/* Open the pseudo terminal and keep its slave side open, so that hosts may come and go. Its path, or NULL. */
const char *line_open(void);

/* Speed that the host set, bits a second. */
unsigned line_host_baud(void);

/* A byte leaves the board. It waits in an adapter's buffer until line_flush. */
void line_send(uint8_t byte);
/* Hand what waits to the host. What the terminal has no room for is lost and counted, as in an adapter. */
void line_flush(void);

/* Fetch what the host wrote. Returns how many bytes came. */
size_t line_fetch(void);
/* The next byte for the board; 0 if there is none. */
int line_next(uint8_t *byte);

/* With speeds more than 3 % apart bytes come out as others, both ways. */
void line_set_board_baud(double baud);
int line_speeds_agree(void);

extern uint64_t line_sent_bytes;
extern uint64_t line_lost_bytes;
extern uint64_t line_received_bytes;

#endif
