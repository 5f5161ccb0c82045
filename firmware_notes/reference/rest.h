/* What each cell reads with nothing on it, and how much that wavers. */
#ifndef REST_H
#define REST_H

#include <stdbool.h>
#include <stdint.h>

#include "scan.h"

/* Rest levels are kept with this many binary places, so that they fill 16 bits. */
#define REST_PLACES (16 - VALUE_BITS)

void rest_start(void);

/* A scan with nothing on the strip, at the start: learn fast. */
void rest_learn(const struct scan *scan);

/* A scan with nothing on the strip, later on: follow slowly (about a second), look at one cell's noise. A value further
 * than `limit` counts out counts as that far: the first scan of a strike comes by here too, and must not pass for noise. */
void rest_follow(const struct scan *scan, uint16_t limit);

extern uint16_t rest[VALUES];

/* The cell's rest level, rounded to a count; cannot overflow, as rest[] is at most 2^16 - 2^REST_PLACES. */
static inline cell_value rest_level(uint8_t index)
{
    return (cell_value)((uint16_t)(rest[index] + (1U << (REST_PLACES - 1))) >> REST_PLACES);
}

/* RMS of a resting cell, 1/16 count (as in the status message). */
uint16_t rest_noise(void);

#endif
