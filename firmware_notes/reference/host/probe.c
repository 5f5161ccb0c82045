#include "probe.h"

#include <string.h>

#include "cobs.h"
#include "crc32.h"

uint32_t probe_crc32(const uint8_t *bytes, uint32_t count)
{
    uint32_t crc = CRC32_START;
    uint32_t i;

    for (i = 0; i < count; i++) {
        crc = crc32_add(crc, bytes[i]);
    }
    return ~crc;
}

uint32_t probe_cobs_encode(const uint8_t *bytes, uint32_t count, uint8_t *out)
{
    struct cobs_encoder encoder;
    uint32_t i;

    cobs_begin(&encoder, out);
    for (i = 0; i < count; i++) {
        cobs_put(&encoder, bytes[i]);
    }
    cobs_end(&encoder);
    return encoder.length;
}

int32_t probe_cobs_decode(const uint8_t *bytes, uint32_t count, uint8_t *out)
{
    struct cobs_decoder decoder;
    int32_t length = 0;
    uint32_t i;

    cobs_decode_begin(&decoder);
    for (i = 0; i < count; i++) {
        if (bytes[i] == 0) {
            return -1;
        }
        if (cobs_decode(&decoder, bytes[i], &out[length])) {
            length++;
        }
    }
    return decoder.left == 0 ? length : -1;
}

uint32_t probe_frame(uint8_t *out)
{
    while (!frame_encode(7)) {
    }
    memcpy(out, frame_out, frame_out_length);
    return frame_out_length;
}

void probe_strike_part(const struct strike_part *head, const uint8_t *scans, uint32_t count)
{
    uint32_t i;

    wire_begin_strike_part(head);
    for (i = 0; i < count; i++) {
        frame_u8(scans[i]);
    }
    frame_close();
}

uint32_t probe_read_host(const uint8_t *bytes, uint32_t count, struct host_message *messages, uint32_t room,
                         uint32_t *bad_frames)
{
    struct frame_in frame;
    uint32_t good = 0;
    uint32_t i;

    *bad_frames = 0;
    frame_in_reset();
    for (i = 0; i < count; i++) {
        enum frame_event event = frame_in_byte(bytes[i], &frame);

        if (event == FRAME_NONE) {
            continue;
        }
        if (event == FRAME_GOOD && good < room && wire_read_host(&frame, &messages[good])) {
            good++;
        } else {
            (*bad_frames)++;
        }
    }
    return good;
}
