#include "strike.h"

#include "position.h"
#include "rest.h"
#include "store.h"
#include "wire.h"

#define SETTLE_SCANS 256U
/* A strike is over after this many scans below the release level: long enough to bridge the gap between two rows. */
#define QUIET_SCANS 3
/* A contact longer than this is closed as still loaded; a load that stays on is taken for rest after the second time. */
#define SPAN_LIMIT_TICKS TICK_HZ
#define HOLD_LIMIT_TICKS (5 * TICK_HZ)
/* The trigger stays this many RMS of the noise away: of 70 000 values a second less than one in a day is that far out
 * (normal distribution beyond 6 sigma: 1e-9). One count more for the rounding of rest and value. */
#define NOISE_FACTOR 6

enum state { SETTLING, ARMED, CAPTURING, HOLDING };

static enum state state;
static uint16_t scans_settled;
static uint32_t settle_began_ticks;
static uint32_t scan_period_ticks;
static bool was_ready;
static uint16_t asked_level;
static uint16_t level;
/* Taken scans that a new record may look back at. */
static uint8_t scans_before;

static uint8_t flags;
static uint32_t trigger_ticks;
static uint32_t quiet_ticks;
static uint8_t quiet_scans;
#if !SENDS_READINGS
static uint8_t scans_kept;
static uint8_t scans_kept_before;
static uint16_t stride;
static uint16_t until_kept;
#endif

void strike_start(void)
{
    state = SETTLING;
    scans_settled = 0;
    was_ready = false;
    scan_period_ticks = 0;
    scans_before = 0;
    asked_level = TRIGGER_LEVEL;
    level = TRIGGER_LEVEL;
    rest_start();
}

void strike_review_trigger(void)
{
    uint16_t least = (uint16_t)(((uint32_t)NOISE_FACTOR * rest_noise() + 15U) / 16U + 1U);

    level = asked_level > least ? asked_level : least;
    if (level > FULL_SCALE) {
        level = FULL_SCALE;
    }
}

void strike_set_trigger(uint16_t new_level)
{
    asked_level = new_level;
    strike_review_trigger();
}

uint16_t strike_trigger_level(void)
{
    return level;
}

bool strike_ready(void)
{
    return was_ready;
}

uint32_t strike_scan_ticks(void)
{
    return (scan_period_ticks * (VALUES - 1) + VALUES / 2) / VALUES;
}

/* Is any cell more than `above` counts over its rest? */
static bool loaded(const struct scan *scan, uint16_t above)
{
    uint8_t i;

    for (i = 0; i < VALUES; i++) {
        if (scan_value(scan, i) > rest_level(i) + above) {
            return true;
        }
    }
    return false;
}

static void note_flags(const struct scan *scan, uint16_t release)
{
    uint8_t i;

    for (i = 0; i < VALUES; i++) {
        if (scan_value(scan, i) >= FULL_SCALE) {
            flags |= FLAG_SATURATED;
        }
    }
    for (i = 0; i < VALUES; i = (uint8_t)(i + CELLS)) {
        uint8_t last = (uint8_t)(i + CELLS - 1);

        if (scan_value(scan, i) > rest_level(i) + release || scan_value(scan, last) > rest_level(last) + release) {
            flags |= FLAG_EDGE;
        }
    }
}

#if SENDS_READINGS

static void begin_record(const struct scan *scan)
{
    flags = FLAG_SUMS_UP;
    position_begin();
    position_add(scan, level / 2);
}

static void add_to_record(const struct scan *scan)
{
    position_add(scan, level / 2);
}

static void end_record(uint32_t span_ticks)
{
    struct position position;

    position_end(&position);
    store_open(TYPE_READING);
    store_put_u32(position.ticks);
    store_put((uint8_t)position.hundredths_mm);
    store_put((uint8_t)((uint16_t)position.hundredths_mm >> 8));
    store_put((uint8_t)position.pressure);
    store_put((uint8_t)(position.pressure >> 8));
    store_put_u32(span_ticks);
    store_close(flags);
}

#else

static void keep_scan(const struct scan *scan)
{
    store_put_u32(scan->ticks);
    store_put_bytes(scan->bytes, sizeof scan->bytes);
    scans_kept++;
}

/* The record is full: drop every second scan from the trigger on, and from now on keep half as many. A long press is so
 * kept from end to end; a strike is over long before. */
static void thin_out(void)
{
    uint8_t scan;
    uint8_t kept = scans_kept_before;
    uint16_t i;

    for (scan = scans_kept_before; scan < scans_kept; scan = (uint8_t)(scan + 2)) {
        uint16_t from = (uint16_t)(STRIKE_SCANS_AT + scan * (uint16_t)SCAN_BYTES);
        uint16_t to = (uint16_t)(STRIKE_SCANS_AT + kept * (uint16_t)SCAN_BYTES);

        for (i = 0; from != to && i < SCAN_BYTES; i++) {
            store_open_set((uint16_t)(to + i), store_open_get((uint16_t)(from + i)));
        }
        kept++;
    }
    scans_kept = kept;
    store_open_cut((uint16_t)(STRIKE_SCANS_AT + kept * (uint16_t)SCAN_BYTES));
    stride = (uint16_t)(stride * 2);
}

static void begin_record(const struct scan *scan)
{
    uint8_t back;

    flags = 0;
    store_open(TYPE_STRIKE_SCANS);
    store_put_u32(0);
    scans_kept = 0;
    stride = 1;
    until_kept = 1;
    if (scans_before < PRE_SCANS) {
        flags |= FLAG_LATE_START;
    }
    for (back = scans_before; back > 0; back--) {
        keep_scan(scan_before(back));
    }
    scans_kept_before = scans_kept;
    keep_scan(scan);
}

static void add_to_record(const struct scan *scan)
{
    if (--until_kept > 0) {
        return;
    }
    if (scans_kept == MAX_SCANS) {
        thin_out();
    }
    keep_scan(scan);
    until_kept = stride;
}

static void end_record(uint32_t span_ticks)
{
    uint8_t i;

    for (i = 0; i < 4; i++) {
        store_open_set(i, (uint8_t)span_ticks);
        span_ticks >>= 8;
    }
    store_close(flags);
}

#endif

static void settle(const struct scan *scan)
{
    rest_learn(scan);
    if (scans_settled == 0) {
        settle_began_ticks = scan->ticks;
    }
    scans_settled++;
    if (scans_settled == SETTLE_SCANS) {
        if (!was_ready) {
            scan_period_ticks = (scan->ticks - settle_began_ticks + SETTLE_SCANS / 2) / (SETTLE_SCANS - 1);
            was_ready = true;
        }
        state = ARMED;
        strike_review_trigger();
    }
}

static void settle_again(void)
{
    state = SETTLING;
    scans_settled = 0;
    rest_start();
}

static void capture(const struct scan *scan)
{
    uint16_t release = level / 2;

    add_to_record(scan);
    note_flags(scan, release);
    if (loaded(scan, release)) {
        quiet_scans = 0;
    } else {
        if (quiet_scans++ == 0) {
            quiet_ticks = scan->ticks;
        }
        if (quiet_scans == QUIET_SCANS) {
            end_record(quiet_ticks - trigger_ticks);
            state = ARMED;
            return;
        }
    }
    if (scan->ticks - trigger_ticks > SPAN_LIMIT_TICKS) {
        flags |= FLAG_STILL_LOADED;
        end_record(scan->ticks - trigger_ticks);
        quiet_scans = 0;
        state = HOLDING;
    }
}

static void hold(const struct scan *scan)
{
    if (loaded(scan, level / 2)) {
        quiet_scans = 0;
    } else if (++quiet_scans == QUIET_SCANS) {
        state = ARMED;
        return;
    }
    if (scan->ticks - trigger_ticks > HOLD_LIMIT_TICKS) {
        settle_again();
    }
}

void strike_scan(const struct scan *scan)
{
    switch (state) {
    case SETTLING:
        settle(scan);
        break;
    case ARMED:
        if (loaded(scan, level)) {
            trigger_ticks = scan->ticks;
            quiet_scans = 0;
            begin_record(scan);
            note_flags(scan, level / 2);
            state = CAPTURING;
        }
        rest_follow(scan, level);
        break;
    case CAPTURING:
        capture(scan);
        break;
    case HOLDING:
        hold(scan);
        break;
    }
    if (scans_before < PRE_SCANS) {
        scans_before++;
    }
}
