/* As strip16, but the board works out each contact's position itself and sends one reading for it. */
#ifndef BOARD_STRIP16_READINGS_H
#define BOARD_STRIP16_READINGS_H

#define ROWS 1
#define CELLS 16
#define PITCH_UM 7000
#define ROW_DISTANCE_UM 0
#define VALUE_BITS 8
#define SENDS_READINGS 1
#define TRIGGER_LEVEL 10
#define BOARD_NAME "strip 16 readings"

#define PRE_SCANS 3
#define SCAN_RING 8
#define MAX_SCANS 16
#define PART_SCANS 5
#define STORE_BYTES 1200

#endif
