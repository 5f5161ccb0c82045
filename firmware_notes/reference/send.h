/* What goes out next: answers first, then status, then records in order. One frame at a time, never waiting. */
#ifndef SEND_H
#define SEND_H

#include <stdbool.h>
#include <stdint.h>

void send_start(uint32_t boot_id);

/* Pass a byte to the line if there is one and it has room. */
void send_poll(void);
/* Put together a piece of the next frame, if none is on its way: for when no scan waits, as this may take as long as two. */
void send_compose(void);

/* Ask for answers; each is sent as soon as the line is free. */
void send_hello(void);
void send_status(void);
void send_clock_reply(uint32_t token, uint32_t received_ticks);

/* A host is there: records may go out from now on. */
void send_records(void);
/* It is a new one: a record of which one before it got the first parts is begun again. */
void send_from_part_0(void);
/* Every kept record from this one on. */
void send_again(uint32_t sequence);

/* A frame from the host had to be dropped. */
void send_count_bad_frame(void);

#endif
