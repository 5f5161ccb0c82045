/* Frames: CRC and COBS on the way out and in (wire.md, section 2.1). One frame at a time each way. */
#ifndef FRAME_H
#define FRAME_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

/* Longest decoded frame this board sends: hello with a name of 24, or a strike part; type and CRC included. */
#define PART_FRAME (20 + PART_SCANS * SCAN_BYTES)
#define HELLO_FRAME 75
#define FRAME_DECODED (PART_FRAME > HELLO_FRAME ? PART_FRAME : HELLO_FRAME)
/* COBS adds a byte for each 254 begun, 3 for 512 bytes; one more for the 0x00. */
#define FRAME_BYTES (FRAME_DECODED + 3 + 1)

/* ---- out: frame_begin, any number of frame_u8/u16/u32 or bytes at frame_room(), frame_close; then frame_encode until it
 * says that frame_out[0 .. frame_out_length) is whole. Encoding takes long enough to miss scans over, so it goes by pieces. */
extern uint8_t frame_out[FRAME_BYTES];
extern uint16_t frame_out_length;

void frame_begin(uint8_t type);
void frame_u8(uint8_t value);
void frame_u16(uint16_t value);
void frame_u32(uint32_t value);
/* Where `count` more bytes of the payload are to be put. */
uint8_t *frame_room(uint8_t count);
void frame_close(void);
/* Encode up to `count` more bytes; true once the frame is whole. */
bool frame_encode(uint8_t count);

/* ---- in */
#define FRAME_IN_PAYLOAD 8

struct frame_in {
    uint8_t type;
    /* The first bytes of the payload, as many as any known message needs. */
    uint8_t payload[FRAME_IN_PAYLOAD];
    /* Length of the whole payload, type and CRC not counted. */
    uint16_t length;
};

enum frame_event { FRAME_NONE, FRAME_GOOD, FRAME_BAD };

void frame_in_reset(void);
/* Take one received byte. FRAME_GOOD: *frame is filled. FRAME_BAD: a frame ended that must be counted and dropped. */
enum frame_event frame_in_byte(uint8_t byte, struct frame_in *frame);

#endif
