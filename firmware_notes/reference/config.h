/* The board's geometry and sizes, from boards/NAME.h (make BOARD=NAME), checked here. */
#ifndef CONFIG_H
#define CONFIG_H

#include <stdint.h>

#ifndef BOARD_HEADER
#define BOARD_HEADER "boards/strip16.h"
#endif
#include BOARD_HEADER

#define FIRMWARE_MAJOR 0
#define FIRMWARE_MINOR 1
#define FIRMWARE_PATCH 0

#define VALUES (ROWS * CELLS)
/* How the cells are read, said in hello (Makefile). */
#ifndef CIRCUIT
#define CIRCUIT ABILITY_DIVIDER
#endif
#define FULL_SCALE ((1U << VALUE_BITS) - 1U)

#if VALUE_BITS <= 8
typedef uint8_t cell_value;
#define VALUE_BYTES 1
#else
typedef uint16_t cell_value;
#define VALUE_BYTES 2
#endif

#define SCAN_BYTES (4 + VALUES * VALUE_BYTES)

#if ROWS < 1 || ROWS > 4 || CELLS < 2 || CELLS > 64 || VALUES > 128
#error "wire.md allows 1 to 4 rows, 1 to 64 cells, 128 values; a strip needs 2 cells"
#endif
#if VALUE_BITS < 8 || VALUE_BITS > 12
#error "VALUE_BITS must be 8 to 12"
#endif
#if (SCAN_RING & (SCAN_RING - 1)) != 0 || SCAN_RING > 128 || SCAN_RING < PRE_SCANS + 4
#error "SCAN_RING must be a power of two with room for PRE_SCANS, three waiting scans and one being written"
#endif
#if MAX_SCANS < PRE_SCANS + 4 || MAX_SCANS > 255 || (MAX_SCANS + PART_SCANS - 1) / PART_SCANS > 32
#error "MAX_SCANS must leave four scans after the trigger and go into 32 parts"
#endif
#if SCAN_BYTES > 255
#error "a scan of more than 255 bytes needs wider counts in store.h and frame.h"
#endif
#if 20 + PART_SCANS * SCAN_BYTES > 512
#error "a part must fit a frame of 512 bytes: lower PART_SCANS"
#endif
#if STORE_BYTES < 16 + MAX_SCANS * SCAN_BYTES || STORE_BYTES > 32767
#error "STORE_BYTES must hold the longest strike"
#endif

#endif
