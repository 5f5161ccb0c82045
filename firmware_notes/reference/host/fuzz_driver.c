/* Runs a fuzz target without a fuzzer: inputs from standard input, each after its length (u32, little-endian). */
#include <stdio.h>
#include <stdlib.h>

#include "fuzz.h"

int main(void)
{
    uint8_t head[4];
    unsigned long count = 0;

    while (fread(head, 1, 4, stdin) == 4) {
        size_t size = head[0] | ((size_t)head[1] << 8) | ((size_t)head[2] << 16) | ((size_t)head[3] << 24);
        /* Of its very size, so that the sanitiser sees a read beyond it. */
        uint8_t *data = malloc(size > 0 ? size : 1);

        if (data == NULL || fread(data, 1, size, stdin) != size) {
            free(data);
            return 2;
        }
        (void)LLVMFuzzerTestOneInput(data, size);
        free(data);
        count++;
    }
    printf("%lu\n", count);
    return 0;
}
