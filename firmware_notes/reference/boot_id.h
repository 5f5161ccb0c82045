/* A boot id that was never used before, from sixteen bytes that survive a loss of power.
 *
 * Two places are written in turn, each with its complement beside it. If power fails while one is written, the other
 * still holds the last id, and the torn one was not used yet.
 */
#ifndef BOOT_ID_H
#define BOOT_ID_H

#include <stdint.h>

uint32_t boot_id_next(void);

#endif
