#include "position.h"

#include "rest.h"

/* moment = sum of weight * (2 * cell - (CELLS - 1)), in counts and half pitches; both sums are halved together before
 * they could overflow: each scan adds at most VALUES * FULL_SCALE * CELLS < 2^26. */
#define HALVE_AT (1L << 26)
#define PITCH_HUNDREDTHS (PITCH_UM / 10)

static uint32_t weight_sum;
static int32_t moment_sum;
static uint16_t peak_pressure;
static uint32_t peak_ticks;

void position_begin(void)
{
    weight_sum = 0;
    moment_sum = 0;
    peak_pressure = 0;
    peak_ticks = 0;
}

void position_add(const struct scan *scan, uint16_t floor_counts)
{
    uint32_t pressure = 0;
    uint8_t row;
    uint8_t cell;
    uint8_t index = 0;

    for (row = 0; row < ROWS; row++) {
        for (cell = 0; cell < CELLS; cell++, index++) {
            uint16_t level = rest_level(index);
            uint16_t weight;

            if (scan_value(scan, index) <= level) {
                continue;
            }
            weight = (uint16_t)(scan_value(scan, index) - level);
            if (weight <= floor_counts) {
                continue;
            }
            pressure += weight;
            moment_sum += (int32_t)weight * (2 * (int16_t)cell - (CELLS - 1));
        }
    }
    weight_sum += pressure;
    if (pressure > 0xFFFFU) {
        pressure = 0xFFFFU;
    }
    if (pressure > peak_pressure) {
        peak_pressure = (uint16_t)pressure;
        peak_ticks = scan->ticks;
    }
    if (moment_sum >= HALVE_AT || moment_sum <= -HALVE_AT || weight_sum >= HALVE_AT) {
        moment_sum /= 2;
        weight_sum /= 2;
    }
}

void position_end(struct position *position)
{
    uint32_t size = moment_sum < 0 ? (uint32_t)-moment_sum : (uint32_t)moment_sum;
    uint32_t weight = weight_sum;
    uint32_t place;

    /* size * pitch must fit 32 bits; what is shifted out is below 1e-5 of the sum. */
    while (size > 0xFFFFFFFFUL / PITCH_HUNDREDTHS / 2) {
        size >>= 1;
        weight >>= 1;
    }
    place = weight == 0 ? 0 : (size * PITCH_HUNDREDTHS + weight) / (2 * weight);
    position->hundredths_mm = (int16_t)(moment_sum < 0 ? -(int32_t)place : (int32_t)place);
    position->pressure = peak_pressure;
    position->ticks = peak_ticks;
}
