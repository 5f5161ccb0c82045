#include <stdio.h>
#include <stdlib.h>

#include "fuzz.h"

void fuzz_fail(const char *condition, const char *file, int line)
{
    fprintf(stderr, "%s:%d: does not hold: %s\n", file, line, condition);
    abort();
}

uint8_t fuzz_u8(struct fuzz_bytes *bytes)
{
    if (bytes->left == 0) {
        return 0;
    }
    bytes->left--;
    return *bytes->at++;
}

uint32_t fuzz_u32(struct fuzz_bytes *bytes)
{
    uint32_t value = 0;
    int i;

    for (i = 0; i < 4; i++) {
        value |= (uint32_t)fuzz_u8(bytes) << (8 * i);
    }
    return value;
}

uint32_t fuzz_crc(const uint8_t *bytes, size_t count)
{
    uint32_t crc = 0xFFFFFFFFU;
    size_t i;
    int bit;

    for (i = 0; i < count; i++) {
        crc ^= bytes[i];
        for (bit = 0; bit < 8; bit++) {
            crc = crc & 1 ? (crc >> 1) ^ 0xEDB88320U : crc >> 1;
        }
    }
    return ~crc;
}

size_t fuzz_frame(const uint8_t *body, size_t size, uint8_t *out)
{
    uint32_t crc = fuzz_crc(body, size);
    size_t code_at = 0;
    size_t length = 1;
    size_t i;

    for (i = 0; i < size + 4; i++) {
        uint8_t byte = (uint8_t)(i < size ? body[i] : crc >> (8 * (i - size)));

        if (length - code_at == 255) {
            out[code_at] = 255;
            code_at = length++;
        }
        if (byte == 0) {
            out[code_at] = (uint8_t)(length - code_at);
            code_at = length++;
        } else {
            out[length++] = byte;
        }
    }
    out[code_at] = (uint8_t)(length - code_at);
    out[length++] = 0;
    return length;
}

int fuzz_unframe(const uint8_t *span, size_t size, uint8_t *out)
{
    size_t length = 0;
    size_t at = 0;
    size_t i;
    uint32_t crc;

    while (at < size) {
        size_t end = at + span[at];

        if (end > size) {
            return -1;
        }
        for (i = at + 1; i < end; i++) {
            out[length++] = span[i];
        }
        if (span[at] != 255 && end < size) {
            out[length++] = 0;
        }
        at = end;
    }
    if (length < 5 || length > 512) {
        return -1;
    }
    length -= 4;
    crc = fuzz_crc(out, length);
    for (i = 0; i < 4; i++) {
        if (out[length + i] != (uint8_t)(crc >> (8 * i))) {
            return -1;
        }
    }
    return (int)length;
}
