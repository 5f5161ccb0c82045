/* CRC-32/ISO-HDLC, a byte at a time. */
#ifndef CRC32_H
#define CRC32_H

#include <stdint.h>

#define CRC32_START 0xFFFFFFFFUL
/* What the register holds after a message and its own CRC went through (before the final inversion). */
#define CRC32_GOOD 0xDEBB20E3UL

uint32_t crc32_add(uint32_t crc, uint8_t byte);

#endif
