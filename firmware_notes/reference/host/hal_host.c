/* The hardware layer on a computer: a converter, a serial line and a clock in virtual time. */
#include <math.h>
#include <stddef.h>
#include <string.h>

#include "board.h"
#include "hal.h"
#include "host_board.h"
#include "scan.h"

#define LINE_ROOM (1UL << 20)
#define GIVEN_ROOM (1UL << 16)
#define PIECES 4096
#define STORAGE_BYTES 16
/* Looks of the main loop during one conversion. */
#define POLLS 3

struct piece {
    uint64_t start_ns;
    uint64_t step_ns;
    uint32_t steps;
    const float *values;
};

static struct host_setup setup;
static uint64_t now_ns;
static uint64_t conversion_end_ns;
static uint16_t converted;
static uint8_t selected_row;
static uint8_t selected_cell;
static int switch_pressed;
static host_sample sample_function;
static void *sample_context;
static struct piece pieces[PIECES];
static uint32_t piece_count;
static uint32_t piece_first;
static uint64_t random_state;
static uint8_t storage[STORAGE_BYTES];

static uint8_t line[LINE_ROOM];
static uint64_t line_in;
static uint64_t line_out;
static uint64_t line_free_ns;

struct given_byte {
    uint8_t byte;
    uint64_t arrival_ns;
};
static struct given_byte given[GIVEN_ROOM];
static uint32_t given_in;
static uint32_t given_out;
static uint64_t given_last_ns;
static uint64_t frame_end_ns;

static uint32_t ticks_at(uint64_t ns)
{
    /* Split, so that the product does not pass 64 bits within centuries. */
    return (uint32_t)(ns / 1000000000U * TICK_HZ + ns % 1000000000U * TICK_HZ / 1000000000U);
}

/* xorshift64* (Vigna 2016), and the sum of twelve uniform numbers for a normal one. */
static double uniform(void)
{
    random_state ^= random_state >> 12;
    random_state ^= random_state << 25;
    random_state ^= random_state >> 27;
    return (double)((random_state * 2685821657736338717ULL) >> 11) / 9007199254740992.0;
}

static double normal(void)
{
    double sum = -6.0;
    int i;

    for (i = 0; i < 12; i++) {
        sum += uniform();
    }
    return sum;
}

static double scripted_load(uint32_t index)
{
    double load = 0;
    uint32_t i;

    while (piece_first < piece_count) {
        const struct piece *piece = &pieces[piece_first];

        if (now_ns <= piece->start_ns + piece->step_ns * (piece->steps - 1)) {
            break;
        }
        piece_first++;
    }
    for (i = piece_first; i < piece_count && pieces[i].start_ns <= now_ns; i++) {
        const struct piece *piece = &pieces[i];
        double at = (double)(now_ns - piece->start_ns) / (double)piece->step_ns;
        uint32_t step = (uint32_t)at;
        double past = at - step;

        if (step + 1 < piece->steps) {
            load += (1 - past) * (double)piece->values[(size_t)step * VALUES + index] +
                    past * (double)piece->values[(size_t)(step + 1) * VALUES + index];
        }
    }
    return load;
}

static uint16_t sample(void)
{
    double counts;

    if (sample_function != NULL) {
        return sample_function(sample_context, now_ns, selected_row, selected_cell);
    }
    counts = (double)setup.rest_counts + scripted_load((uint32_t)(selected_row * CELLS + selected_cell));
    if (setup.noise_counts > 0) {
        counts += (double)setup.noise_counts * normal();
    }
    counts = floor(counts + 0.5);
    if (counts < 0) {
        return 0;
    }
    return counts > FULL_SCALE ? FULL_SCALE : (uint16_t)counts;
}

uint32_t hal_ticks(void)
{
    return ticks_at(now_ns);
}

void hal_start_conversion(void)
{
    conversion_end_ns = now_ns + setup.conversion_ns;
    converted = sample();
}

uint32_t hal_conversion_ticks(void)
{
    return hal_ticks();
}

void hal_select_cell(uint8_t row, uint8_t cell)
{
    selected_row = row;
    selected_cell = cell;
}

bool hal_write_byte(uint8_t byte)
{
    /* One byte may wait while another goes out. */
    if (line_free_ns > now_ns + setup.byte_ns) {
        return false;
    }
    line_free_ns = (line_free_ns > now_ns ? line_free_ns : now_ns) + setup.byte_ns;
    if (line_in - line_out < LINE_ROOM) {
        line[line_in++ % LINE_ROOM] = byte;
    }
    return true;
}

bool hal_await(uint32_t ticks)
{
    return (int32_t)(hal_ticks() - ticks) >= 0;
}

bool hal_read_byte(uint8_t *byte)
{
    const struct given_byte *next = &given[given_out % GIVEN_ROOM];

    if (given_in == given_out || next->arrival_ns > now_ns) {
        return false;
    }
    *byte = next->byte;
    if (next->byte == 0) {
        frame_end_ns = next->arrival_ns;
    }
    given_out++;
    return true;
}

uint32_t hal_frame_end_ticks(void)
{
    return ticks_at(frame_end_ns);
}

bool hal_switch_pressed(void)
{
    return switch_pressed != 0;
}

uint8_t hal_storage_read(uint8_t place, uint8_t at)
{
    return storage[(8 * place + at) % STORAGE_BYTES];
}

void hal_storage_write(uint8_t place, const uint8_t bytes[8])
{
    memcpy(&storage[8 * (place % 2)], bytes, 8);
}

void hal_board_id(uint8_t id[8])
{
    memcpy(id, setup.board_id, 8);
}

void host_start(const struct host_setup *new_setup)
{
    setup = *new_setup;
    random_state = (uint64_t)setup.noise_seed * 2 + 1;
    now_ns = 0;
    line_in = 0;
    line_out = 0;
    piece_count = 0;
    piece_first = 0;
    given_last_ns = 0;
    switch_pressed = 0;
    host_power_cycle();
}

void host_power_cycle(void)
{
    given_in = 0;
    given_out = 0;
    frame_end_ns = now_ns;
    line_free_ns = now_ns;
    selected_row = 0;
    selected_cell = 0;
    board_start();
}

void host_run_until(uint64_t until_ns)
{
    int i;

    while (conversion_end_ns <= until_ns) {
        uint64_t step = setup.conversion_ns / POLLS;

        for (i = 0; i < POLLS && now_ns + step < conversion_end_ns; i++) {
            now_ns += step;
            board_poll();
        }
        now_ns = conversion_end_ns;
        scan_conversion_done((cell_value)converted);
        board_poll();
    }
    if (until_ns > now_ns) {
        now_ns = until_ns;
    }
}

uint64_t host_now_ns(void)
{
    return now_ns;
}

uint32_t host_give(const uint8_t *bytes, uint32_t count)
{
    uint32_t i;

    for (i = 0; i < count && given_in - given_out < GIVEN_ROOM; i++) {
        given_last_ns = (given_last_ns > now_ns ? given_last_ns : now_ns) + setup.byte_ns;
        given[given_in % GIVEN_ROOM].byte = bytes[i];
        given[given_in % GIVEN_ROOM].arrival_ns = given_last_ns;
        given_in++;
    }
    return i;
}

uint32_t host_take(uint8_t *bytes, uint32_t room)
{
    uint32_t count = 0;

    while (count < room && line_out < line_in) {
        bytes[count++] = line[line_out++ % LINE_ROOM];
    }
    return count;
}

void host_press_switch(int pressed)
{
    switch_pressed = pressed;
}

void host_set_sample(host_sample function, void *context)
{
    sample_function = function;
    sample_context = context;
}

int host_play(uint64_t start_ns, uint64_t step_ns, uint32_t steps, const float *values)
{
    struct piece *piece;

    if (piece_count == PIECES || steps < 2 || step_ns == 0) {
        return 0;
    }
    piece = &pieces[piece_count++];
    piece->start_ns = start_ns;
    piece->step_ns = step_ns;
    piece->steps = steps;
    piece->values = values;
    return 1;
}

uint8_t *host_storage(void)
{
    return storage;
}

uint32_t host_rows(void)
{
    return ROWS;
}

uint32_t host_cells(void)
{
    return CELLS;
}

uint32_t host_full_scale(void)
{
    return FULL_SCALE;
}

uint32_t host_tick_hz(void)
{
    return TICK_HZ;
}
