/* As strip16, for evening the cells: one record holds a bar's whole way along the strip.
 *
 * 53 scans are all that the store of strip16 has room for (16 + 53 * 20 bytes), so it takes no more memory; but only one
 * record fits, so this is for the bench and not for swings.
 *
 *   cd firmware_notes/reference
 *   make flash BOARD=../../bench/strip16_bench OUT=build/strip16_bench BOARD_ID=... PORT=...
 */
#ifndef BENCH_STRIP16_BENCH_H
#define BENCH_STRIP16_BENCH_H

#include "boards/strip16.h"

#undef MAX_SCANS
#define MAX_SCANS 53
#undef BOARD_NAME
#define BOARD_NAME "strip 16 bench"

#endif
