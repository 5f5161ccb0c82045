/* A board under the sanitisers, fed from standard input.
 *
 * In: a length (u32, little-endian) and that many bytes from a host, over and over. For each: a board starts afresh,
 * strikes keep falling on it while the bytes come in at line speed, and all that it sends goes to standard output with its
 * length before it. A board that hangs or corrupts memory ends the program.
 */
#include <stdio.h>
#include <string.h>

#include "config.h"
#include "host_board.h"

#define GIVEN_LIMIT 65536U
#define TAKEN_LIMIT (1U << 20)
#define STEPS 5U
#define MS 1000000ULL

static uint8_t given[GIVEN_LIMIT];
static uint8_t taken[TAKEN_LIMIT];
static float strike[STEPS * VALUES];

static int read_length(uint32_t *length)
{
    uint8_t bytes[4];

    if (fread(bytes, 1, 4, stdin) != 4) {
        return 0;
    }
    *length = bytes[0] | ((uint32_t)bytes[1] << 8) | ((uint32_t)bytes[2] << 16) | ((uint32_t)bytes[3] << 24);
    return *length <= GIVEN_LIMIT && fread(given, 1, *length, stdin) == *length;
}

int main(void)
{
    static const float height[STEPS] = {0, 0.7F, 1, 0.7F, 0};
    struct host_setup setup = {15000, 86806, 1, 0.4F, 5, {0x4C, 0x42, 0, 0, 0, 0, 0, 1}};
    uint32_t length;
    uint32_t step;
    uint32_t i;

    for (step = 0; step < STEPS; step++) {
        for (i = 0; i < VALUES; i++) {
            strike[step * VALUES + i] = height[step] * (i % CELLS > 4 && i % CELLS < 10 ? 100.0F : 0.0F);
        }
    }
    while (read_length(&length)) {
        uint64_t duration_ns;
        uint64_t at_ns;
        uint32_t count;
        uint8_t head[4];

        host_start(&setup);
        host_run_until(100 * MS);
        duration_ns = length * (uint64_t)setup.byte_ns + 300 * MS;
        for (at_ns = 101 * MS; at_ns < 100 * MS + duration_ns; at_ns += 20 * MS) {
            host_play(at_ns, 250000, STEPS, strike);
        }
        host_give(given, length);
        host_run_until(100 * MS + duration_ns);
        count = host_take(taken, TAKEN_LIMIT);
        for (i = 0; i < 4; i++) {
            head[i] = (uint8_t)(count >> (8 * i));
        }
        fwrite(head, 1, 4, stdout);
        fwrite(taken, 1, count, stdout);
        fflush(stdout);
    }
    return 0;
}
