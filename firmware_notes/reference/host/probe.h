/* Doors for tests: the core's parts one by one, with buffers of the caller. */
#ifndef PROBE_H
#define PROBE_H

#include <stdint.h>

#include "wire.h"

uint32_t probe_crc32(const uint8_t *bytes, uint32_t count);
/* COBS without the 0x00; the length written. `room` of at least count + count / 254 + 1. */
uint32_t probe_cobs_encode(const uint8_t *bytes, uint32_t count, uint8_t *out);
/* The decoded length, or -1 if a block is cut short or a 0x00 is among the bytes. */
int32_t probe_cobs_decode(const uint8_t *bytes, uint32_t count, uint8_t *out);

/* Copy the frame that a wire_put_... left; its length. */
uint32_t probe_frame(uint8_t *out);
/* A whole strike part from its head and its scans as they travel. */
void probe_strike_part(const struct strike_part *head, const uint8_t *scans, uint32_t count);
/* Feed bytes to the frame reader, from a clean start: the messages that it accepts, up to `room`; bad frames counted. */
uint32_t probe_read_host(const uint8_t *bytes, uint32_t count, struct host_message *messages, uint32_t room,
                         uint32_t *bad_frames);

#endif
