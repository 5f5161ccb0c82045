/* What the fuzz targets share: reading a fuzzer's bytes, and frames by the page, by other means than the core's. */
#ifndef FUZZ_H
#define FUZZ_H

#include <stddef.h>
#include <stdint.h>

/* Called by libFuzzer, or by fuzz_driver.c for each input that it is given. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Ends the program, and with it the run, where something does not hold. */
#define HOLDS(condition) ((condition) ? (void)0 : fuzz_fail(#condition, __FILE__, __LINE__))
void fuzz_fail(const char *condition, const char *file, int line);

struct fuzz_bytes {
    const uint8_t *at;
    size_t left;
};

/* Zeros once nothing is left. */
uint8_t fuzz_u8(struct fuzz_bytes *bytes);
uint32_t fuzz_u32(struct fuzz_bytes *bytes);

/* CRC-32/ISO-HDLC bit by bit. */
uint32_t fuzz_crc(const uint8_t *bytes, size_t count);
/* COBS of the bytes and their CRC, with the closing zero; the length. `out` of at least size + size / 254 + 7. */
size_t fuzz_frame(const uint8_t *body, size_t size, uint8_t *out);
/* Decode what stands between two zeros; the body's length with its CRC taken off, or -1 if it is no good frame. `out` of
 * at least `size`. */
int fuzz_unframe(const uint8_t *span, size_t size, uint8_t *out);

#endif
