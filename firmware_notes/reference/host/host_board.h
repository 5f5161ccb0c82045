/* The board on a computer, in time of its own: what a driver in another language calls. */
#ifndef HOST_BOARD_H
#define HOST_BOARD_H

#include <stdint.h>

/* Value of a cell in counts at a moment; called once for each conversion. */
typedef uint16_t (*host_sample)(void *context, uint64_t now_ns, uint8_t row, uint8_t cell);

struct host_setup {
    uint32_t conversion_ns;
    uint32_t byte_ns;
    uint32_t noise_seed;
    /* RMS of the noise added to the scripted values, counts. */
    float noise_counts;
    /* Of a cell with nothing on it, counts, when values are scripted. */
    float rest_counts;
    uint8_t board_id[8];
};

/* Power on, at time 0 of a fresh script; storage[16] keeps its bytes from the run before. */
void host_start(const struct host_setup *setup);
/* Power lost and back at once, without moving time. */
void host_power_cycle(void);
void host_run_until(uint64_t until_ns);
uint64_t host_now_ns(void);

/* Bytes to the board, the first to be in one byte time from now. Returns how many there was room for. */
uint32_t host_give(const uint8_t *bytes, uint32_t count);
/* Bytes from the board that have gone out by now. */
uint32_t host_take(uint8_t *bytes, uint32_t room);

void host_press_switch(int pressed);

/* Values come from a function, or (NULL) from the script. */
void host_set_sample(host_sample sample, void *context);
/* Add a piece to the script: values[step][row][cell] counts above rest, steps step_ns apart from start_ns on, joined by
 * straight lines, nothing before and after. The values stay the caller's and must outlive the run. Returns 0 if full. */
int host_play(uint64_t start_ns, uint64_t step_ns, uint32_t steps, const float *values);

uint8_t *host_storage(void);
uint32_t host_rows(void);
uint32_t host_cells(void);
uint32_t host_full_scale(void);
uint32_t host_tick_hz(void);

#endif
