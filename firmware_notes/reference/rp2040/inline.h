/* The part of the hardware layer that the conversion interrupt uses, for the RP2040.
 *
 * The converter is quick: 2 us a conversion, and left to itself it would start the next one at once, before a multiplexer
 * that has just moved has settled: each cell would read as a mixture of itself and the one before. So it is paced by its
 * own divider, one conversion every CELL_US, free of any jitter of the program. When a conversion has ended (2 us after its
 * start, its sample long held) the multiplexer moves to the cell of the next one and has CELL_US - 2 us to settle.
 *
 * Wiring: select lines on GP2 to GP5 (all multiplexers in common), GP6 to the enable (active low) of the multiplexers with
 * cells 0 to 15, GP7 to that of cells 16 to 31; the commons of row r's multiplexers on ADC r (GP26, GP27); foot switch from
 * GP8 to ground; UART on GP0 (out) and GP1 (in).
 */
#ifndef RP2040_INLINE_H
#define RP2040_INLINE_H

#include "rp2040/registers.h"

#define ROM
#define ROM_U32(address) (*(address))
#define TICK_HZ 1000000UL

#if CELLS > 32
#error "two 16-way multiplexers a row make at most 32 cells: wire and select more of them here"
#endif
#if ROWS > 3
#error "the converter has inputs for three rows (GP26 to GP28)"
#endif

/* From one cell's sample to the next. */
#ifndef CELL_US
#define CELL_US 12
#endif
#define CONVERSION_US 2
/* The interrupt moves the multiplexer half a microsecond after the end of a conversion, and is busy for one. */
#if CELL_US < CONVERSION_US + 2
#error "CELL_US must be 4 or more: 2 us for the conversion, 2 us to move on and settle"
#endif

#define SELECT_PIN 2
#define SELECT_MASK (0x3FUL << SELECT_PIN)

/* What the pins and the converter select once the running conversion has ended. */
extern uint32_t rp2040_next_pins;
extern uint32_t rp2040_next_channel;
/* The converter's switches: on, and from the start of the board's scans on also running by itself. */
extern uint32_t rp2040_converter;

static inline uint32_t hal_ticks(void)
{
    return REGISTER(TIMER_LOW_RAW);
}

/* The converter starts by itself, CELL_US after it has last: what is left to do is to move on to the cell that it will
 * convert then, at once, for it to settle. */
static inline void hal_start_conversion(void)
{
    REGISTER(SIO_OUT) = rp2040_next_pins;
#if ROWS > 1
    REGISTER(ADC_CS) = rp2040_converter | rp2040_next_channel;
#endif
}

static inline uint32_t hal_conversion_ticks(void)
{
    return hal_ticks() + (CELL_US - CONVERSION_US);
}

/* The core names a cell one conversion ahead: it is remembered. */
static inline void hal_select_cell(uint8_t row, uint8_t cell)
{
#if ROWS > 1
    rp2040_next_channel = (uint32_t)row << ADC_CHANNEL_AT;
#else
    (void)row;
#endif
    /* Four select lines, then the two enables: low for the multiplexer in use. */
    rp2040_next_pins = ((uint32_t)cell & 15U) << SELECT_PIN | (cell < 16 ? 2UL : 1UL) << (SELECT_PIN + 4);
}

#endif
