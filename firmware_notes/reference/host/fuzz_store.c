/* Fuzz target: the ring of kept records against a plain list that follows store.h and wire.md, section 2.7. */
#include <string.h>

#include "fuzz.h"
#include "store.h"
#include "wire.h"

#define LIST 4096
#define HEAD 4U
#define LONGEST (STORE_BYTES - HEAD)

struct kept {
    uint8_t type;
    uint8_t flags;
    uint16_t length;
    uint8_t bytes[LONGEST];
};

static struct kept list[LIST];
static struct kept open;
static bool is_open;
static uint32_t oldest;
static uint32_t next;
static uint32_t dropped;
static uint32_t unsent;
static bool owes_flag;

static uint32_t used(void)
{
    uint32_t bytes = 0;
    uint32_t i;

    for (i = oldest; i != next; i++) {
        bytes += HEAD + list[i].length;
    }
    return bytes;
}

static void drop_for(uint32_t more)
{
    uint32_t i;

    while (used() + (is_open ? HEAD + open.length : 0U) + more > STORE_BYTES) {
        HOLDS(oldest != next);
        oldest++;
        dropped++;
        owes_flag = true;
        for (i = oldest; i != next && owes_flag; i++) {
            if (list[i].type != TYPE_BUTTON) {
                owes_flag = false;
                if (i >= unsent) {
                    list[i].flags |= FLAG_AFTER_DROP;
                }
            }
        }
    }
}

static void put(const uint8_t *bytes, uint16_t count)
{
    drop_for(count);
    memcpy(open.bytes + open.length, bytes, count);
    open.length = (uint16_t)(open.length + count);
}

static void check(void)
{
    static uint8_t copy[LONGEST];
    struct stored record;
    uint32_t i;
    uint16_t at;

    HOLDS(store_oldest() == oldest);
    HOLDS(store_next() == next);
    HOLDS(store_kept() == next - oldest);
    HOLDS(store_dropped() == dropped);
    HOLDS(store_is_open() == is_open);
    HOLDS(!store_find(oldest - 1, &record));
    HOLDS(!store_find(next, &record));
    for (i = oldest; i != next; i++) {
        HOLDS(store_find(i, &record));
        HOLDS(record.sequence == i && record.type == list[i].type && record.length == list[i].length);
        HOLDS(record.flags == list[i].flags);
        for (at = 0; at < record.length; at = (uint16_t)(at + 255)) {
            uint8_t count = (uint8_t)(record.length - at > 255 ? 255 : record.length - at);

            store_copy(&record, at, copy + at, count);
            HOLDS(store_get(&record, at) == list[i].bytes[at]);
        }
        HOLDS(memcmp(copy, list[i].bytes, record.length) == 0);
    }
    if (is_open) {
        HOLDS(store_open_length() == open.length);
        for (at = 0; at < open.length; at++) {
            HOLDS(store_open_get(at) == open.bytes[at]);
        }
    }
}

static void write_open(struct fuzz_bytes *bytes, uint8_t op)
{
    uint8_t piece[255];
    uint8_t count = fuzz_u8(bytes);
    uint16_t at = (uint16_t)(open.length > 0 ? fuzz_u32(bytes) % open.length : 0);
    uint32_t value = fuzz_u32(bytes);

    if (op == 1 && open.length + count <= LONGEST) {
        memset(piece, (int)(value & 0xFF), sizeof piece);
        piece[0] = (uint8_t)next;
        put(piece, count);
        store_put_bytes(piece, count);
    } else if (op == 2 && open.length + 4U <= LONGEST) {
        int i;

        for (i = 0; i < 4; i++) {
            piece[i] = (uint8_t)(value >> (8 * i));
        }
        put(piece, 4);
        store_put_u32(value);
    } else if (op == 3 && open.length < LONGEST) {
        put(&count, 1);
        store_put(count);
    } else if (op == 4 && open.length > 0) {
        open.bytes[at] = count;
        store_open_set(at, count);
    } else if (op == 5) {
        open.length = at;
        store_open_cut(at);
    } else if (op >= 6) {
        uint8_t flags = (uint8_t)(count & ~FLAG_AFTER_DROP);

        if (open.type != TYPE_BUTTON && owes_flag) {
            owes_flag = false;
            open.flags = FLAG_AFTER_DROP;
        }
        open.flags |= flags;
        list[next++] = open;
        is_open = false;
        store_close(flags);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint8_t types[] = {TYPE_STRIKE_SCANS, TYPE_READING, TYPE_BUTTON, TYPE_STRIKE_SCANS};
    struct fuzz_bytes bytes = {data, size};

    store_start();
    oldest = next = dropped = unsent = 0;
    is_open = owes_flag = false;
    while (bytes.left > 0 && next < LIST - 1) {
        uint8_t op = fuzz_u8(&bytes);

        if (is_open && op % 16 < 8) {
            write_open(&bytes, op % 8);
        } else if (!is_open && op % 16 < 8) {
            uint8_t type = types[op >> 4 & 3];

            drop_for(HEAD);
            is_open = true;
            memset(&open, 0, sizeof open);
            open.type = type;
            store_open(type);
        } else if (op % 16 < 12) {
            /* Near what there is, or anything at all. */
            uint32_t sequence = op & 0x80 ? fuzz_u32(&bytes) : oldest + fuzz_u8(&bytes) % 16 - 2;

            /* Beyond the last record that was sent it is ignored. */
            if (sequence < unsent) {
                while (oldest != next && oldest <= sequence) {
                    oldest++;
                }
                if (oldest == next) {
                    owes_flag = false;
                }
            }
            store_confirm(sequence);
        } else if (oldest != next) {
            uint32_t sequence = oldest + fuzz_u8(&bytes) % (next - oldest);

            unsent = sequence >= unsent ? sequence + 1 : unsent;
            store_mark_sent(sequence);
        }
        check();
    }
    return 0;
}
