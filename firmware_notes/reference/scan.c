#include "scan.h"

#include <stddef.h>

struct scan scan_ring[SCAN_RING];
volatile uint8_t scan_written;
volatile uint8_t scan_taken;
volatile uint8_t scan_missed;
uint8_t scan_row;
uint8_t scan_cell;

void scan_start(void)
{
    uint8_t row = 0;
    uint8_t cell = 0;

    scan_written = 0;
    scan_taken = 0;
    scan_missed = 0;
    scan_row = 0;
    scan_cell = 0;
    hal_select_cell(0, 0);
    hal_start_conversion();
    scan_ring[0].ticks = hal_conversion_ticks();
    scan_step(&row, &cell);
    hal_select_cell(row, cell);
}

const struct scan *scan_next(void)
{
    if (scan_written == scan_taken) {
        return NULL;
    }
    return &scan_ring[scan_taken & SCAN_MASK];
}

void scan_release(void)
{
    scan_taken++;
}

const struct scan *scan_before(uint8_t back)
{
    return &scan_ring[(uint8_t)(scan_taken - back) & SCAN_MASK];
}
