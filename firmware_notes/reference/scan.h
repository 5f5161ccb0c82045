/* The scan: one conversion after the other, cell by cell, into a ring of whole scans.
 *
 * The conversion flow fills the ring, the main flow takes whole scans out of it; scan_written and scan_taken are one-byte
 * counters that only their own side writes. The main flow may look back at the PRE_SCANS scans that it took last.
 */
#ifndef SCAN_H
#define SCAN_H

#include <stdint.h>

#include "hal.h"

struct scan {
    uint32_t ticks;
    /* Values as they travel: row 0 first, cell 0 first, low byte first. */
    uint8_t bytes[VALUES * VALUE_BYTES];
};

static inline cell_value scan_value(const struct scan *scan, uint8_t index)
{
#if VALUE_BYTES == 1
    return scan->bytes[index];
#else
    const uint8_t *bytes = &scan->bytes[2 * index];

    return (cell_value)(bytes[0] | ((cell_value)bytes[1] << 8));
#endif
}

static inline void scan_set_value(struct scan *scan, uint8_t index, cell_value value)
{
#if VALUE_BYTES == 1
    scan->bytes[index] = value;
#else
    uint8_t *bytes = &scan->bytes[2 * index];

    bytes[0] = (uint8_t)value;
    bytes[1] = (uint8_t)(value >> 8);
#endif
}

#define SCAN_MASK (SCAN_RING - 1)
/* Scans that may wait while PRE_SCANS are still looked at and one is being written. */
#define SCAN_WAITING (SCAN_RING - PRE_SCANS - 1)

extern struct scan scan_ring[SCAN_RING];
extern volatile uint8_t scan_written;
extern volatile uint8_t scan_taken;
extern volatile uint8_t scan_missed;

/* Where the conversion flow stands. */
extern uint8_t scan_row;
extern uint8_t scan_cell;

#if ROWS > 1
#define SCAN_ORDER ROWS_TOGETHER
#else
#define SCAN_ORDER ROW_AFTER_ROW
#endif

/* Begin: select and convert the first cell. The conversion flow must be off. */
void scan_start(void);

/* A whole scan, the oldest that waits; NULL if none does. It stays valid until PRE_SCANS more are released. */
const struct scan *scan_next(void);
void scan_release(void);
/* The scan taken `back` before the one that scan_next() gives, 1 to PRE_SCANS. */
const struct scan *scan_before(uint8_t back);

/* Step on to the place that is converted after `row`, `cell`: all rows of a cell together, then the next cell. */
static inline void scan_step(uint8_t *row, uint8_t *cell)
{
#if ROWS > 1
    if (++*row < ROWS) {
        return;
    }
    *row = 0;
#else
    (void)row;
#endif
    if (++*cell == CELLS) {
        *cell = 0;
    }
}

/* A conversion has ended with `value`. Starts the next one first (its cell has settled meanwhile), then files the value,
 * then selects the cell after that. Inline, so that an interrupt saves only the registers it needs. */
static inline void scan_conversion_done(cell_value value)
{
    uint8_t row = 0;
    uint8_t cell;
    struct scan *scan;

    hal_start_conversion();
#if ROWS > 1
    row = scan_row;
#endif
    cell = scan_cell;
    scan = &scan_ring[scan_written & SCAN_MASK];
#if ROWS > 1
    scan_set_value(scan, (uint8_t)(row * CELLS + cell), value);
#else
    scan_set_value(scan, cell, value);
#endif
    scan_step(&row, &cell);
#if ROWS > 1
    scan_row = row;
#endif
    scan_cell = cell;
    if (row == 0 && cell == 0) {
        /* The main flow is late: write this scan's place again; the ticks of the next show the gap. */
        if ((uint8_t)(scan_written - scan_taken) < SCAN_WAITING) {
            scan_written++;
        } else {
            scan_missed++;
        }
        scan_ring[scan_written & SCAN_MASK].ticks = hal_conversion_ticks();
    }
    scan_step(&row, &cell);
    hal_select_cell(row, cell);
}

#endif
