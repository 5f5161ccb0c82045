#include "send.h"

#include "hal.h"
#include "rest.h"
#include "store.h"
#include "strike.h"
#include "wire.h"

/* A clock reply carries the tick at which its first byte will go out, and then waits for that tick. 4 ms is several times
 * what it takes to put it together, and more than the two bytes that a transmitter may still hold take, at 9600 baud too. */
#define CLOCK_LEAD_TICKS (TICK_HZ / 250)

/* Bytes encoded at a time: less than a scan's time, so that none is missed. */
#define PIECE_BYTES 12

#if SENDS_READINGS
#define ABILITIES (ABILITY_READINGS | ABILITY_FOOT_SWITCH | ABILITY_SETTABLE_TRIGGER)
#else
#define ABILITIES (ABILITY_STRIKE_SCANS | ABILITY_FOOT_SWITCH | ABILITY_SETTABLE_TRIGGER | CIRCUIT)
#endif

static uint32_t boot;
static bool hello_due;
static bool status_due;
static bool clock_due;
static uint32_t clock_token;
static uint32_t clock_received_ticks;
static bool records_wanted;
static uint16_t bad_frames;
/* The record and the part that go out next. */
static uint32_t cursor;
static uint8_t part;

/* The frame in frame_out: whether it is still being encoded, what of it has gone out, and not before when. */
static bool encoding;
static uint16_t sent;
static bool sending;
static bool appointed;
static uint32_t appointed_ticks;


void send_start(uint32_t boot_id)
{
    boot = boot_id;
    hello_due = true;
    status_due = false;
    clock_due = false;
    records_wanted = false;
    bad_frames = 0;
    cursor = store_next();
    part = 0;
    appointed = false;
    /* Whatever half a frame was on the line ends here (wire.md, section 2.1). */
    frame_out[0] = 0;
    frame_out_length = 1;
    sent = 0;
    sending = true;
    encoding = false;
}

void send_hello(void)
{
    hello_due = true;
}

void send_status(void)
{
    status_due = true;
}

void send_clock_reply(uint32_t token, uint32_t received_ticks)
{
    clock_due = true;
    clock_token = token;
    clock_received_ticks = received_ticks;
}

void send_records(void)
{
    records_wanted = true;
}

void send_from_part_0(void)
{
    part = 0;
}

void send_again(uint32_t sequence)
{
    if (sequence < store_next()) {
        cursor = sequence;
        part = 0;
    }
}

void send_count_bad_frame(void)
{
    if (bad_frames < 0xFFFFU) {
        bad_frames++;
    }
}

static void frame_begun(void)
{
    encoding = true;
}

static void compose_hello(void)
{
    struct hello hello;

    hal_board_id(hello.board_id);
    hello.boot_id = boot;
    hello.firmware[0] = FIRMWARE_MAJOR;
    hello.firmware[1] = FIRMWARE_MINOR;
    hello.firmware[2] = FIRMWARE_PATCH;
    hello.tick_hz = TICK_HZ;
    hello.rows = ROWS;
    hello.cells = CELLS;
    hello.pitch_um = PITCH_UM;
    hello.row_distance_um = ROW_DISTANCE_UM;
    hello.scan_order = SCAN_ORDER;
    hello.scan_ticks = strike_scan_ticks();
    hello.full_scale = FULL_SCALE;
    hello.trigger_level = strike_trigger_level();
    hello.oldest_kept = store_oldest();
    hello.next_sequence = store_next();
    hello.abilities = ABILITIES;
    hello.name = BOARD_NAME;
    wire_put_hello(&hello);
    frame_begun();
}

static void compose_status(void)
{
    struct status status;

    status.ticks = hal_ticks();
    status.supply_mv = 0;
    status.temperature = TEMPERATURE_UNKNOWN;
    status.noise = rest_noise();
    status.trigger_level = strike_trigger_level();
    status.kept = store_kept();
    status.dropped = store_dropped();
    status.bad_frames = bad_frames;
    status.oldest_kept = store_oldest();
    status.next_sequence = store_next();
    wire_put_status(&status);
    frame_begun();
}

static void compose_clock_reply(void)
{
    appointed_ticks = hal_ticks() + CLOCK_LEAD_TICKS;
    wire_put_clock_reply(clock_token, clock_received_ticks, appointed_ticks);
    appointed = true;
    frame_begun();
}

static uint16_t stored_u16(const struct stored *record, uint16_t offset)
{
    return (uint16_t)(store_get(record, offset) | ((uint16_t)store_get(record, (uint16_t)(offset + 1)) << 8));
}

static uint32_t stored_u32(const struct stored *record, uint16_t offset)
{
    return stored_u16(record, offset) | ((uint32_t)stored_u16(record, (uint16_t)(offset + 2)) << 16);
}

static void next_record(void)
{
    cursor++;
    part = 0;
}

#if SENDS_READINGS

static void compose_reading(const struct stored *record)
{
    struct reading reading;

    reading.sequence = record->sequence;
    reading.ticks = stored_u32(record, 0);
    reading.position = (int16_t)stored_u16(record, 4);
    /* Front to back needs the sole's width, which a board cannot know. */
    reading.trail = TRAIL_UNKNOWN;
    reading.pressure = stored_u16(record, 6);
    reading.flags = record->flags;
    reading.span_ticks = stored_u32(record, 8);
    wire_put_reading(&reading);
    next_record();
    frame_begun();
}

#else

static void compose_part(const struct stored *record)
{
    struct strike_part head;
    uint8_t scans = (uint8_t)((record->length - STRIKE_SCANS_AT) / SCAN_BYTES);
    uint8_t first = (uint8_t)(part * PART_SCANS);
    uint8_t i;

    head.sequence = record->sequence;
    head.part = part;
    head.parts = (uint8_t)((scans + PART_SCANS - 1) / PART_SCANS);
    head.flags = record->flags;
    head.value_bytes = VALUE_BYTES;
    head.rows = ROWS;
    head.cells = CELLS;
    head.scans = (uint8_t)(scans - first > PART_SCANS ? PART_SCANS : scans - first);
    head.span_ticks = stored_u32(record, 0);
    wire_begin_strike_part(&head);
    for (i = 0; i < head.scans; i++) {
        uint8_t scan = (uint8_t)(first + i);
        uint16_t scan_at = (uint16_t)(STRIKE_SCANS_AT + scan * (uint16_t)SCAN_BYTES);

        store_copy(record, scan_at, frame_room(SCAN_BYTES), SCAN_BYTES);
    }
    frame_close();
    if (++part == head.parts) {
        next_record();
    }
    frame_begun();
}

#endif

static void compose_record(void)
{
    struct stored record;

    if (cursor < store_oldest()) {
        cursor = store_oldest();
        part = 0;
    }
    if (!store_find(cursor, &record)) {
        return;
    }
    store_mark_sent(cursor);
    if (record.type == TYPE_BUTTON) {
        wire_put_button(record.sequence, stored_u32(&record, 0), store_get(&record, 4));
        next_record();
        frame_begun();
        return;
    }
#if SENDS_READINGS
    compose_reading(&record);
#else
    compose_part(&record);
#endif
}

static void pass_byte(void)
{
    if (appointed) {
        if (!hal_await(appointed_ticks)) {
            return;
        }
        appointed = false;
    }
    if (hal_write_byte(frame_out[sent])) {
        sent++;
        sending = sent < frame_out_length;
    }
}

void send_poll(void)
{
    if (sending) {
        pass_byte();
    }
}

void send_compose(void)
{
    if (sending) {
        return;
    }
    if (encoding) {
        if (frame_encode(PIECE_BYTES)) {
            encoding = false;
            sending = true;
            sent = 0;
        }
        return;
    }
    if (hello_due && strike_ready()) {
        hello_due = false;
        compose_hello();
    } else if (clock_due) {
        clock_due = false;
        compose_clock_reply();
    } else if (status_due) {
        status_due = false;
        compose_status();
    } else if (records_wanted && !hello_due) {
        compose_record();
    }
}
