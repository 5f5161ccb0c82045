/* Position of a contact from the cells, for boards that send readings: whole numbers only.
 *
 * The pressure-weighted mean place over all scans of the contact. Its cells are those above half the trigger level, so
 * that the noise of far cells does not pull the mean to the middle.
 */
#ifndef POSITION_H
#define POSITION_H

#include <stdint.h>

#include "scan.h"

struct position {
    /* 0.01 mm along the strip, 0 at its middle. */
    int16_t hundredths_mm;
    /* Counts above rest over all cells, and the ticks, of the scan with the greatest sum. */
    uint16_t pressure;
    uint32_t ticks;
};

void position_begin(void);
void position_add(const struct scan *scan, uint16_t floor_counts);
void position_end(struct position *position);

#endif
