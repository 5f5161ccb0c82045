/* Two rows of 16 cells, 12 mm apart, one multiplexer each on the same select lines, 8-bit values. */
#ifndef BOARD_TWO_ROWS_H
#define BOARD_TWO_ROWS_H

#define ROWS 2
#define CELLS 16
#define PITCH_UM 7000
#define ROW_DISTANCE_UM 12000
#define VALUE_BITS 8
#define SENDS_READINGS 0
#define TRIGGER_LEVEL 10
#define BOARD_NAME "two rows"

#define PRE_SCANS 3
#define SCAN_RING 8
#define MAX_SCANS 14
#define PART_SCANS 3
#define STORE_BYTES 1080

#endif
