/* All that the core asks of a chip. Port these few functions and the rest runs unchanged.
 *
 * The core is two flows. scan_conversion_done() (scan.h) runs whenever a conversion has ended: in the converter's
 * interrupt, or wherever a port sees it. board_poll() (board.h) runs over and over in the main loop. They share the scan
 * ring only, through one-byte counters, so a port needs no locks around the core.
 */
#ifndef HAL_H
#define HAL_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

/* With HAL_INLINE a port gives the functions of the conversion interrupt as static inline ones. */
#ifdef HAL_INLINE
#include HAL_INLINE
#else
/* The free-running clock, TICK_HZ to the second, wrapping at 2^32. Called from both flows. */
uint32_t hal_ticks(void);

/* Start the conversion of the cell selected last. Called from the conversion flow only, but for the first. */
void hal_start_conversion(void);

/* When the conversion just started takes its sample, as near as the port knows. Called right after hal_start_conversion(). */
uint32_t hal_conversion_ticks(void);

/* Select a cell for the NEXT conversion. The core calls it after hal_start_conversion(): it must not take effect before
 * the running conversion has taken its sample, and has the rest of that conversion to settle. */
void hal_select_cell(uint8_t row, uint8_t cell);

/* Constant tables: kept in program memory where that is apart. */
#define ROM
#define ROM_U32(address) (*(address))
/* Another rate: -DTICK_HZ=..., or #define it in the header that HAL_INLINE names. */
#ifndef TICK_HZ
#define TICK_HZ 1000000UL
#endif
#endif
#if TICK_HZ < 10000 || TICK_HZ > 100000000
#error "TICK_HZ must be 10 000 to 100 000 000: slower does not time a scan, faster wire.md does not allow"
#endif

/* Take one byte for the line if there is room for it; never wait. */
bool hal_write_byte(uint8_t byte);

/* True once `ticks` has come. May wait for it if it is less than a scan or two away, so that what follows is on time; must
 * return false at once if it is further. */
bool hal_await(uint32_t ticks);

/* Give one received byte if there is one; never wait. */
bool hal_read_byte(uint8_t *byte);

/* When the last 0x00, the end of a frame, came in. */
uint32_t hal_frame_end_ticks(void);

/* The foot switch, true while pressed. Not debounced. */
bool hal_switch_pressed(void);

/* Two places of eight bytes that survive a loss of power, for the boot id (boot_id.h); and the board's own id. A power cut
 * while one place is written may ruin that place, never the other. */
uint8_t hal_storage_read(uint8_t place, uint8_t at);
void hal_storage_write(uint8_t place, const uint8_t bytes[8]);
void hal_board_id(uint8_t id[8]);

#endif
