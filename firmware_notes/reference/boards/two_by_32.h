/* Two rows of 32 cells, 12-bit values: a size for chips with 16 KB of RAM and a quicker converter. */
#ifndef BOARD_TWO_BY_32_H
#define BOARD_TWO_BY_32_H

#define ROWS 2
#define CELLS 32
#define PITCH_UM 4000
#define ROW_DISTANCE_UM 12000
#define VALUE_BITS 12
#define SENDS_READINGS 0
#define TRIGGER_LEVEL 60
#define BOARD_NAME "two by 32"

#define PRE_SCANS 4
#define SCAN_RING 16
#define MAX_SCANS 24
#define PART_SCANS 3
#define STORE_BYTES 12000

#endif
