/* As strip16, for calibrating the cells: one record holds a bar's whole way along the strip.
 *
 * It keeps as many scans as the store of strip16 has room for, so it takes no more memory; but only one record fits, so
 * this is for the bench and not for swings. bench.md says how to put it on.
 */
#ifndef BENCH_STRIP16_BENCH_H
#define BENCH_STRIP16_BENCH_H

#include "boards/strip16.h"

#undef MAX_SCANS
#define MAX_SCANS ((STORE_BYTES - 16) / (4 + CELLS))
#undef BOARD_NAME
#define BOARD_NAME "strip 16 bench"

#endif
