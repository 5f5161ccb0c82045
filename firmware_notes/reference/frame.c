#include "frame.h"

#include "cobs.h"
#include "crc32.h"

uint8_t frame_out[FRAME_BYTES];
uint16_t frame_out_length;

/* The plain bytes are put into the same buffer, so far behind its start that encoding them toward the start never catches
 * up: after k bytes at most k + 3 are written, for k up to 512. */
#define PLAIN_AT 4

static struct cobs_encoder encoder;
static uint32_t out_crc;
static uint16_t plain_end;
static uint16_t encoded_to;

void frame_begin(uint8_t type)
{
    frame_out[PLAIN_AT] = type;
    plain_end = PLAIN_AT + 1;
}

void frame_u8(uint8_t value)
{
    frame_out[plain_end++] = value;
}

void frame_u16(uint16_t value)
{
    frame_u8((uint8_t)value);
    frame_u8((uint8_t)(value >> 8));
}

void frame_u32(uint32_t value)
{
    frame_u16((uint16_t)value);
    frame_u16((uint16_t)(value >> 16));
}

uint8_t *frame_room(uint8_t count)
{
    uint8_t *room = &frame_out[plain_end];

    plain_end = (uint16_t)(plain_end + count);
    return room;
}

void frame_close(void)
{
    encoded_to = PLAIN_AT;
    out_crc = CRC32_START;
    cobs_begin(&encoder, frame_out);
}

bool frame_encode(uint8_t count)
{
    uint32_t crc;
    uint8_t i;

    while (encoded_to < plain_end) {
        uint8_t byte = frame_out[encoded_to];

        if (count-- == 0) {
            return false;
        }
        encoded_to++;
        out_crc = crc32_add(out_crc, byte);
        cobs_put(&encoder, byte);
    }
    crc = ~out_crc;
    for (i = 0; i < 4; i++) {
        cobs_put(&encoder, (uint8_t)crc);
        crc >>= 8;
    }
    cobs_end(&encoder);
    frame_out[encoder.length] = 0;
    frame_out_length = (uint16_t)(encoder.length + 1);
    return true;
}

#define MAX_DECODED 512U
#define MIN_DECODED 5U

static struct cobs_decoder decoder;
static bool in_begun;
static bool in_too_long;
static uint16_t in_length;
static uint32_t in_crc;
static uint8_t in_head[1 + FRAME_IN_PAYLOAD];

void frame_in_reset(void)
{
    cobs_decode_begin(&decoder);
    in_begun = false;
    in_too_long = false;
    in_length = 0;
    in_crc = CRC32_START;
}

static void take_decoded(uint8_t byte)
{
    if (in_length >= MAX_DECODED) {
        in_too_long = true;
        return;
    }
    if (in_length < sizeof in_head) {
        in_head[in_length] = byte;
    }
    in_length++;
    in_crc = crc32_add(in_crc, byte);
}

static enum frame_event close_frame(struct frame_in *frame)
{
    enum frame_event event = FRAME_BAD;
    uint8_t i;

    if (!in_begun) {
        event = FRAME_NONE;
    } else if (decoder.left == 0 && !in_too_long && in_length >= MIN_DECODED && in_crc == CRC32_GOOD) {
        frame->type = in_head[0];
        frame->length = (uint16_t)(in_length - MIN_DECODED);
        for (i = 0; i < FRAME_IN_PAYLOAD; i++) {
            frame->payload[i] = in_head[1 + i];
        }
        event = FRAME_GOOD;
    }
    frame_in_reset();
    return event;
}

enum frame_event frame_in_byte(uint8_t byte, struct frame_in *frame)
{
    uint8_t decoded;

    if (byte == 0) {
        return close_frame(frame);
    }
    in_begun = true;
    if (cobs_decode(&decoder, byte, &decoded)) {
        take_decoded(decoded);
    }
    return FRAME_NONE;
}
