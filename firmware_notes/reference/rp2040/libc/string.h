/* What the program uses of <string.h>, where there is no C library; start.c has them. */
#ifndef RP2040_STRING_H
#define RP2040_STRING_H

#include <stddef.h>

void *memcpy(void *to, const void *from, size_t count);
void *memset(void *to, int value, size_t count);

#endif
