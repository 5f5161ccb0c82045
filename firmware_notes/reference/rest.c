#include "rest.h"

/* rest[] moves by 1/16 of the difference at each look. Learning looks at every cell in every scan; following looks at
 * one cell every 16 scans: a time constant of 16 * 16 scans * CELLS, about a second, so that a slow press of the hand is
 * not taken for rest. */
#define REST_SHIFT 4
#define FOLLOW_EVERY 16
/* The mean square moves by 1/32 a scan while learning and by 1/1024 after; kept with 12 binary places. */
#define NOISE_PLACES 12
#define NOISE_SHIFT_LEARN 5
#define NOISE_SHIFT_FOLLOW 10
/* In 1/16 count; its square with NOISE_PLACES fits 32 bits. */
#define DEVIATION_LIMIT 1023U

uint16_t rest[VALUES];
static uint32_t mean_square;
static uint8_t looked_at;
static uint8_t scans_until_follow;
static uint16_t learned;

void rest_start(void)
{
    mean_square = 0;
    looked_at = 0;
    scans_until_follow = FOLLOW_EVERY;
    learned = 0;
}

static void follow_cell(uint8_t index, cell_value value)
{
    uint16_t target = (uint16_t)((uint16_t)value << REST_PLACES);

    if (target >= rest[index]) {
        rest[index] = (uint16_t)(rest[index] + ((uint16_t)(target - rest[index]) >> REST_SHIFT));
    } else {
        rest[index] = (uint16_t)(rest[index] - ((uint16_t)(rest[index] - target) >> REST_SHIFT));
    }
}

static void look_at_noise(const struct scan *scan, uint8_t shift, uint16_t limit)
{
    uint16_t value = (uint16_t)((uint16_t)scan_value(scan, looked_at) << REST_PLACES);
    uint16_t deviation = value > rest[looked_at] ? (uint16_t)(value - rest[looked_at]) : (uint16_t)(rest[looked_at] - value);
    uint32_t square;

#if REST_PLACES > 4
    deviation = (uint16_t)((deviation + (1U << (REST_PLACES - 5))) >> (REST_PLACES - 4));
#endif
    if (deviation > limit) {
        deviation = limit;
    }
    square = ((uint32_t)deviation * deviation) << NOISE_PLACES;
    if (square >= mean_square) {
        mean_square += (square - mean_square) >> shift;
    } else {
        mean_square -= (mean_square - square) >> shift;
    }
    if (++looked_at == VALUES) {
        looked_at = 0;
    }
}

void rest_learn(const struct scan *scan)
{
    uint8_t i;

    for (i = 0; i < VALUES; i++) {
        if (learned == 0) {
            rest[i] = (uint16_t)((uint16_t)scan_value(scan, i) << REST_PLACES);
        } else {
            follow_cell(i, scan_value(scan, i));
        }
    }
    /* Let the rest levels settle before they are taken as the middle of the noise. */
    if (learned < 64) {
        learned++;
    } else {
        look_at_noise(scan, NOISE_SHIFT_LEARN, DEVIATION_LIMIT);
    }
}

void rest_follow(const struct scan *scan, uint16_t limit)
{
    static uint8_t followed;

    look_at_noise(scan, NOISE_SHIFT_FOLLOW, limit < DEVIATION_LIMIT / 16 ? (uint16_t)(limit * 16) : DEVIATION_LIMIT);
    if (--scans_until_follow == 0) {
        scans_until_follow = FOLLOW_EVERY;
        if (++followed >= VALUES) {
            followed = 0;
        }
        follow_cell(followed, scan_value(scan, followed));
    }
}

uint16_t rest_noise(void)
{
    uint32_t mean = mean_square >> NOISE_PLACES;
    uint16_t root = 0;
    uint16_t bit;

    for (bit = 0x0400; bit != 0; bit = (uint16_t)(bit >> 1)) {
        uint16_t larger = (uint16_t)(root | bit);

        if ((uint32_t)larger * larger <= mean) {
            root = larger;
        }
    }
    /* To the nearest: mean is past the middle between the squares of root and root + 1. */
    if (mean - (uint32_t)root * root > root) {
        root++;
    }
    return root;
}
