/* As strip16, with all ten bits of the converter: half as many strikes fit the store. */
#ifndef BOARD_STRIP16_FINE_H
#define BOARD_STRIP16_FINE_H

#define ROWS 1
#define CELLS 16
#define PITCH_UM 7000
#define ROW_DISTANCE_UM 0
#define VALUE_BITS 10
#define SENDS_READINGS 0
#define TRIGGER_LEVEL 24
#define BOARD_NAME "strip 16 fine"

#define PRE_SCANS 3
#define SCAN_RING 8
#define MAX_SCANS 14
#define PART_SCANS 3
#define STORE_BYTES 1120

#endif
