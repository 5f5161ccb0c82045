/* Fuzz target: a whole board, with a host that says anything, strikes, presses of the switch and power cuts.
 *
 * All that it sends must be good frames; a record that comes twice must be the same bytes; and at the end every record of
 * this boot must have come, or be counted as dropped, or have been confirmed by that host.
 */
#include <string.h>

#include "config.h"
#include "fuzz.h"
#include "host_board.h"
#include "store.h"
#include "wire.h"

#define MS 1000000ULL
#define RECORDS 512U
#define STEPS 5U
/* Time that one input may take: what a fuzzer needs is many inputs. */
#define LONGEST_NS (250 * MS)

struct heard {
    uint32_t crc[32];
    uint32_t parts;
    uint32_t came;
};

static struct heard heard[RECORDS];
static uint32_t boot;
static uint32_t last_next;
static uint32_t confirmed;
static uint8_t span[1024];
static size_t span_length;
static uint8_t said[512];
static size_t said_length;
static float strike[STEPS * VALUES];
static uint8_t line[1U << 16];

static uint32_t number(const uint8_t *bytes)
{
    return bytes[0] | ((uint32_t)bytes[1] << 8) | ((uint32_t)bytes[2] << 16) | ((uint32_t)bytes[3] << 24);
}

static void hear_record(const uint8_t *body, int length)
{
    uint32_t sequence = number(body + 1);
    uint8_t part = 0;
    uint32_t parts = 1;
    uint32_t crc = fuzz_crc(body, (size_t)length);

    if (body[0] == TYPE_STRIKE_SCANS) {
        HOLDS(length >= 16);
        part = body[5];
        parts = body[6];
        HOLDS(parts >= 1 && parts <= 32 && part < parts);
        HOLDS(length == 16 + body[11] * SCAN_BYTES);
    }
    HOLDS(sequence < store_next());
    if (sequence >= RECORDS) {
        return;
    }
    if (heard[sequence].came & (1U << part)) {
        HOLDS(heard[sequence].crc[part] == crc);
        HOLDS(heard[sequence].parts == parts);
    }
    heard[sequence].crc[part] = crc;
    heard[sequence].parts = parts;
    heard[sequence].came |= 1U << part;
}

static void hear_frame(void)
{
    static uint8_t body[1024];
    int length = fuzz_unframe(span, span_length, body);

    HOLDS(length > 0);
    switch (body[0]) {
    case TYPE_HELLO:
        HOLDS(length >= 47);
        if (number(body + 11) != boot) {
            memset(heard, 0, sizeof heard);
            boot = number(body + 11);
            last_next = 0;
            confirmed = 0;
        }
        HOLDS(number(body + 37) <= number(body + 41));
        HOLDS(number(body + 41) >= last_next);
        last_next = number(body + 41);
        break;
    case TYPE_STATUS:
        HOLDS(length == 29);
        break;
    case TYPE_CLOCK_REPLY:
        HOLDS(length == 13);
        break;
    case TYPE_READING:
        HOLDS(length == 20);
        hear_record(body, length);
        break;
    case TYPE_BUTTON:
        HOLDS(length == 10);
        hear_record(body, length);
        break;
    default:
        HOLDS(body[0] == TYPE_STRIKE_SCANS);
        hear_record(body, length);
        break;
    }
}

static void listen(void)
{
    uint32_t count;
    uint32_t i;

    while ((count = host_take(line, sizeof line)) > 0) {
        for (i = 0; i < count; i++) {
            if (line[i] != 0) {
                HOLDS(span_length < 515);
                span[span_length++] = line[i];
            } else if (span_length > 0) {
                hear_frame();
                span_length = 0;
            }
        }
    }
}

/* What the board is told, and how far a host has confirmed: the board takes its word for it. */
static void say(const uint8_t *bytes, size_t count)
{
    static uint8_t body[512];
    size_t i;

    for (i = 0; i < count; i++) {
        if (bytes[i] != 0) {
            if (said_length < sizeof said) {
                said[said_length++] = bytes[i];
            }
            continue;
        }
        if (said_length < sizeof said && fuzz_unframe(said, said_length, body) >= 9 && body[0] == TYPE_CONFIRM &&
            number(body + 1) == boot && number(body + 5) >= confirmed && number(body + 5) < store_next()) {
            confirmed = number(body + 5) + 1;
        }
        said_length = 0;
    }
    (void)host_give(bytes, (uint32_t)count);
}

static void say_message(uint8_t type, uint32_t first, uint32_t second)
{
    uint8_t body[9];
    uint8_t wire[32];
    int i;

    body[0] = type;
    for (i = 0; i < 4; i++) {
        body[1 + i] = (uint8_t)(first >> (8 * i));
        body[5 + i] = (uint8_t)(second >> (8 * i));
    }
    say(wire, fuzz_frame(body, sizeof body, wire));
}

static void go_on(uint64_t ns)
{
    host_run_until(host_now_ns() + ns);
    listen();
}

static void do_one(struct fuzz_bytes *bytes)
{
    uint8_t op = fuzz_u8(bytes);
    uint8_t more = fuzz_u8(bytes);

    switch (op % 8) {
    case 0: {
        uint8_t raw[64];
        uint8_t i;

        for (i = 0; i < more % 64; i++) {
            raw[i] = fuzz_u8(bytes);
        }
        say(raw, more % 64);
        break;
    }
    case 1:
    case 2:
        /* A message of any type; this boot and a near sequence as a rule. */
        say_message((uint8_t)(TYPE_ASK_HELLO + more % 6), op & 0x40 ? fuzz_u32(bytes) : boot,
                    op & 0x80 ? fuzz_u32(bytes) : store_oldest() + (more >> 4) - 2);
        break;
    case 3:
        (void)host_play(host_now_ns() + more * 10000ULL, 250000ULL + (op >> 3) * 100000ULL, STEPS, strike);
        break;
    case 4:
        host_press_switch(more & 1);
        break;
    case 5:
        if (more == 0xFF) {
            listen();
            host_power_cycle();
            span_length = 0;
            said_length = 0;
        }
        break;
    default:
        go_on(more * 200000ULL);
        break;
    }
}

static void check_all_came(void)
{
    uint32_t missing = 0;
    uint32_t i;

    for (i = 0; i < store_next() && i < RECORDS; i++) {
        bool whole = heard[i].parts > 0 && heard[i].came == (heard[i].parts == 32 ? ~0U : (1U << heard[i].parts) - 1);

        if (i >= confirmed && !whole) {
            missing++;
        }
    }
    HOLDS(missing <= store_dropped());
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const float height[STEPS] = {0, 0.7F, 1, 0.7F, 0};
    /* A slow converter and a quick line: more happens in a millisecond of this computer. */
    struct host_setup setup = {30000, 20000, 1, 0, 5, {0x4C, 0x42, 0, 0, 0, 0, 0, 1}};
    struct fuzz_bytes bytes = {data, size};
    uint32_t i;

    for (i = 0; i < STEPS * VALUES; i++) {
        strike[i] = i % CELLS > 4 && i % CELLS < 10 ? height[i / VALUES] * 100.0F : 0.0F;
    }
    memset(heard, 0, sizeof heard);
    memset(host_storage(), 0xFF, 16);
    boot = last_next = confirmed = 0;
    span_length = said_length = 0;
    host_start(&setup);
    go_on(30 * MS);
    while (bytes.left > 0 && host_now_ns() < LONGEST_NS) {
        do_one(&bytes);
    }
    host_press_switch(0);
    /* A zero cuts off what was left unsaid; then everything kept is asked for and must come. */
    say((const uint8_t *)"\0", 1);
    say_message(TYPE_ASK_HELLO, 1, 0);
    go_on(30 * MS);
    say_message(TYPE_SEND_AGAIN, boot, 0);
    go_on(60 * MS);
    check_all_came();
    return 0;
}
