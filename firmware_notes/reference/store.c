#include "store.h"

#include <string.h>

#include "wire.h"

/* Each record: length low, length high, type, flags, then its bytes. */
#define HEAD_BYTES 4
#define FLAGS_AT 3

static uint8_t ring[STORE_BYTES];
/* First byte of the oldest record, bytes used by closed records, and by the open one (its head included). */
static uint16_t first;
static uint16_t closed_bytes;
static uint16_t open_bytes;
static bool is_open;
static uint8_t open_type;
static uint32_t oldest;
static uint32_t next;
static uint32_t dropped;
/* Records below this one have been sent, at least in part. */
static uint32_t unsent;
/* A record was dropped and none that could carry the flag followed it yet. */
static bool owes_flag;

void store_start(void)
{
    first = 0;
    closed_bytes = 0;
    open_bytes = 0;
    is_open = false;
    oldest = 0;
    next = 0;
    dropped = 0;
    unsent = 0;
    owes_flag = false;
}

static uint16_t wrapped(uint16_t at, uint16_t offset)
{
    at = (uint16_t)(at + offset);
    return at >= STORE_BYTES ? (uint16_t)(at - STORE_BYTES) : at;
}

static uint16_t record_length(uint16_t at)
{
    return (uint16_t)(ring[at] | ((uint16_t)ring[wrapped(at, 1)] << 8));
}

static void forget_oldest(void)
{
    uint16_t size = (uint16_t)(HEAD_BYTES + record_length(first));

    first = wrapped(first, size);
    closed_bytes = (uint16_t)(closed_bytes - size);
    oldest++;
}

/* Buttons have no flags field: the flag then goes to the first record after them that has one. */
static void flag_after_drop(void)
{
    uint16_t at = first;
    uint32_t sequence;

    owes_flag = false;
    for (sequence = oldest; sequence != next; sequence++) {
        if (ring[wrapped(at, 2)] != TYPE_BUTTON) {
            if (sequence >= unsent) {
                ring[wrapped(at, FLAGS_AT)] |= FLAG_AFTER_DROP;
            }
            return;
        }
        at = wrapped(at, (uint16_t)(HEAD_BYTES + record_length(at)));
    }
    owes_flag = true;
}

static uint16_t open_at(uint16_t offset)
{
    return wrapped(first, (uint16_t)(closed_bytes + offset));
}

/* One record alone always fits (config.h), so dropping older ones always makes room. */
static void put_raw(const uint8_t *bytes, uint8_t count)
{
    uint16_t at = open_at(open_bytes);

    while (closed_bytes + open_bytes + count > STORE_BYTES) {
        forget_oldest();
        dropped++;
        flag_after_drop();
    }
    open_bytes = (uint16_t)(open_bytes + count);
    if (at + count <= STORE_BYTES) {
        memcpy(&ring[at], bytes, count);
    } else {
        uint8_t before_end = (uint8_t)(STORE_BYTES - at);

        memcpy(&ring[at], bytes, before_end);
        memcpy(ring, bytes + before_end, (uint8_t)(count - before_end));
    }
}

void store_open(uint8_t type)
{
    uint8_t head[HEAD_BYTES] = {0, 0, 0, 0};

    head[2] = type;
    is_open = true;
    open_type = type;
    open_bytes = 0;
    put_raw(head, HEAD_BYTES);
}

void store_put(uint8_t byte)
{
    put_raw(&byte, 1);
}

void store_put_u32(uint32_t value)
{
    uint8_t bytes[4];
    uint8_t i;

    for (i = 0; i < 4; i++) {
        bytes[i] = (uint8_t)value;
        value >>= 8;
    }
    put_raw(bytes, 4);
}

void store_put_bytes(const uint8_t *bytes, uint8_t count)
{
    put_raw(bytes, count);
}

bool store_is_open(void)
{
    return is_open;
}

uint16_t store_open_length(void)
{
    return (uint16_t)(open_bytes - HEAD_BYTES);
}

uint8_t store_open_get(uint16_t offset)
{
    return ring[open_at((uint16_t)(HEAD_BYTES + offset))];
}

void store_open_set(uint16_t offset, uint8_t byte)
{
    ring[open_at((uint16_t)(HEAD_BYTES + offset))] = byte;
}

void store_open_cut(uint16_t length)
{
    open_bytes = (uint16_t)(HEAD_BYTES + length);
}

void store_close(uint8_t flags)
{
    uint16_t length = store_open_length();

    if (open_type != TYPE_BUTTON && owes_flag) {
        flags |= FLAG_AFTER_DROP;
        owes_flag = false;
    }
    ring[open_at(0)] = (uint8_t)length;
    ring[open_at(1)] = (uint8_t)(length >> 8);
    ring[open_at(FLAGS_AT)] = flags;
    closed_bytes = (uint16_t)(closed_bytes + open_bytes);
    open_bytes = 0;
    is_open = false;
    next++;
}

bool store_find(uint32_t sequence, struct stored *record)
{
    uint16_t at = first;
    uint32_t behind = sequence - oldest;

    if (behind >= next - oldest) {
        return false;
    }
    while (behind-- > 0) {
        at = wrapped(at, (uint16_t)(HEAD_BYTES + record_length(at)));
    }
    record->sequence = sequence;
    record->length = record_length(at);
    record->type = ring[wrapped(at, 2)];
    record->flags = ring[wrapped(at, FLAGS_AT)];
    record->at = wrapped(at, HEAD_BYTES);
    return true;
}

uint8_t store_get(const struct stored *record, uint16_t offset)
{
    return ring[wrapped(record->at, offset)];
}

void store_copy(const struct stored *record, uint16_t offset, uint8_t *bytes, uint8_t count)
{
    uint16_t at = wrapped(record->at, offset);

    if (at + count <= STORE_BYTES) {
        memcpy(bytes, &ring[at], count);
    } else {
        uint8_t before_end = (uint8_t)(STORE_BYTES - at);

        memcpy(bytes, &ring[at], before_end);
        memcpy(bytes + before_end, ring, (uint8_t)(count - before_end));
    }
}

void store_mark_sent(uint32_t sequence)
{
    if (sequence >= unsent) {
        unsent = sequence + 1;
    }
}

void store_confirm(uint32_t sequence)
{
    /* A host cannot have what was never sent: such a confirm is nonsense, and obeying it would lose records. */
    if (sequence >= unsent) {
        return;
    }
    while (oldest != next && oldest <= sequence) {
        forget_oldest();
    }
    if (oldest == next) {
        owes_flag = false;
    }
}

uint32_t store_oldest(void)
{
    return oldest;
}

uint32_t store_next(void)
{
    return next;
}

uint16_t store_kept(void)
{
    return (uint16_t)(next - oldest);
}

uint32_t store_dropped(void)
{
    return dropped;
}

void store_set_next(uint32_t sequence)
{
    oldest = sequence;
    next = sequence;
    unsent = sequence;
}
