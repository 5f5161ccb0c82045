/* One row of 16 cells behind a 16-way multiplexer, 8-bit values: the board of the build guide.
 *
 * Eight bits, because the converter runs at 1 MHz to scan fast enough, and its maker promises full resolution only up
 * to 200 kHz (ATmega328P data sheet, ADC chapter; from memory); the cells themselves repeat to a few percent.
 */
#ifndef BOARD_STRIP16_H
#define BOARD_STRIP16_H

#define ROWS 1
#define CELLS 16
#define PITCH_UM 7000
#define ROW_DISTANCE_UM 0
#define VALUE_BITS 8
#define SENDS_READINGS 0
#define TRIGGER_LEVEL 10
#define BOARD_NAME "strip 16"

/* Scans from before the trigger; the ring holds them, four waiting scans and the one being written. */
#define PRE_SCANS 3
#define SCAN_RING 8
/* Scans of one strike, those before the trigger included, and how many travel in one frame. */
#define MAX_SCANS 16
#define PART_SCANS 5
/* Room for records that no host has confirmed yet. */
#define STORE_BYTES 1240

#endif
