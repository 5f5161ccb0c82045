/* Records kept until the host confirms them, oldest first, in one ring of bytes (wire.md, section 2.7).
 *
 * A record is put together in place: store_open, store_put..., then store_close gives it its sequence number. When room
 * runs out the oldest record goes, is counted, and the next one is flagged, unless it has been sent: the host keeps what it
 * got, and the same record must not come twice with different bytes.
 */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

void store_start(void);

/* ---- writing; one record open at a time */
void store_open(uint8_t type);
void store_put(uint8_t byte);
void store_put_u32(uint32_t value);
void store_put_bytes(const uint8_t *bytes, uint8_t count);
bool store_is_open(void);
/* Bytes of the open record so far; change one of them; cut it to a length. */
uint16_t store_open_length(void);
uint8_t store_open_get(uint16_t offset);
void store_open_set(uint16_t offset, uint8_t byte);
void store_open_cut(uint16_t length);
void store_close(uint8_t flags);

/* ---- reading */
struct stored {
    uint32_t sequence;
    uint8_t type;
    uint8_t flags;
    uint16_t length;
    /* Where its first byte lies in the ring; good until the record is dropped. */
    uint16_t at;
};

/* False if the record is not kept (dropped, confirmed, or not there yet). */
bool store_find(uint32_t sequence, struct stored *record);
uint8_t store_get(const struct stored *record, uint16_t offset);
void store_copy(const struct stored *record, uint16_t offset, uint8_t *bytes, uint8_t count);

/* The sending of this record has begun: it does not change any more. */
void store_mark_sent(uint32_t sequence);

/* The host has all up to and including this one. */
void store_confirm(uint32_t sequence);

uint32_t store_oldest(void);
uint32_t store_next(void);
uint16_t store_kept(void);
uint32_t store_dropped(void);

/* Start counting elsewhere than at 0: for tests of the counter's end. The store must be empty. */
void store_set_next(uint32_t sequence);

#endif
