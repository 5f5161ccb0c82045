/* From scans to records: when a strike begins, what of it is kept, when it is over. */
#ifndef STRIKE_H
#define STRIKE_H

#include <stdbool.h>
#include <stdint.h>

#include "scan.h"

/* A strike record's bytes in the store: span_ticks, then whole scans as they travel. */
#define STRIKE_SCANS_AT 4

void strike_start(void);

/* Take one scan, in order. */
void strike_scan(const struct scan *scan);

/* The level asked for; what holds is at least what the noise allows (strike_trigger_level). */
void strike_set_trigger(uint16_t level);
uint16_t strike_trigger_level(void);
/* Look at the noise again: once a second. */
void strike_review_trigger(void);

/* True once the rest levels are known. */
bool strike_ready(void);
/* Ticks from the first cell's sample to the last one's, measured while the rest levels were learned. */
uint32_t strike_scan_ticks(void);

#endif
