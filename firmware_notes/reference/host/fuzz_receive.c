/* Fuzz target: the bytes of a host, read by the core and by the page, must be the same messages. */
#include "frame.h"
#include "fuzz.h"
#include "wire.h"

static uint8_t decoded[1U << 16];

static uint32_t number(const uint8_t *bytes, int count)
{
    uint32_t value = 0;

    while (count-- > 0) {
        value = (value << 8) | bytes[count];
    }
    return value;
}

static void check_message(const struct frame_in *frame, const uint8_t *body, uint16_t length)
{
    static const uint16_t least[] = {2, 4, 8, 8, 2};
    struct host_message message;
    bool known = body[0] >= TYPE_ASK_HELLO && body[0] <= TYPE_SET_TRIGGER && length >= least[body[0] - TYPE_ASK_HELLO];

    HOLDS(wire_read_host(frame, &message) == known);
    if (!known) {
        return;
    }
    HOLDS(message.type == body[0]);
    switch (body[0]) {
    case TYPE_ASK_HELLO:
        HOLDS(message.major == body[1] && message.minor == body[2]);
        break;
    case TYPE_ASK_CLOCK:
        HOLDS(message.token == number(body + 1, 4));
        break;
    case TYPE_SET_TRIGGER:
        HOLDS(message.level == number(body + 1, 2));
        break;
    default:
        HOLDS(message.boot_id == number(body + 1, 4));
        HOLDS(message.sequence == number(body + 5, 4));
        break;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct frame_in frame;
    size_t begin = 0;
    size_t i;

    if (size > sizeof decoded) {
        return 0;
    }
    frame_in_reset();
    for (i = 0; i < size; i++) {
        enum frame_event event = frame_in_byte(data[i], &frame);

        if (data[i] != 0) {
            HOLDS(event == FRAME_NONE);
            continue;
        }
        if (i == begin) {
            HOLDS(event == FRAME_NONE);
        } else {
            int length = fuzz_unframe(data + begin, i - begin, decoded);

            HOLDS(event == (length < 0 ? FRAME_BAD : FRAME_GOOD));
            if (length > 0) {
                HOLDS(frame.type == decoded[0]);
                HOLDS(frame.length == (uint16_t)(length - 1));
                check_message(&frame, decoded, frame.length);
            }
        }
        begin = i + 1;
    }
    return 0;
}
