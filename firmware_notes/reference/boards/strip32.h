/* One row of 32 cells at 4 mm behind two 16-way multiplexers, 12-bit values: for the RP2040. */
#ifndef BOARD_STRIP32_H
#define BOARD_STRIP32_H

#define ROWS 1
#define CELLS 32
#define PITCH_UM 4000
#define ROW_DISTANCE_UM 0
#define VALUE_BITS 12
#define SENDS_READINGS 0
#define TRIGGER_LEVEL 60
#define BOARD_NAME "strip 32"

#define PRE_SCANS 4
#define SCAN_RING 16
#define MAX_SCANS 32
#define PART_SCANS 7
/* Some 40 strikes with all their scans. */
#define STORE_BYTES 32000

#endif
