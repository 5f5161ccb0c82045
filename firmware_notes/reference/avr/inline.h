/* The part of the hardware layer that the conversion interrupt uses, for the ATmega328P at 16 MHz.
 *
 * Wiring: multiplexer select lines on PB0 to PB3 (all multiplexers in common), the output of row r's multiplexer on ADC r,
 * foot switch from PD4 to ground, UART on PD0 and PD1.
 */
#ifndef AVR_INLINE_H
#define AVR_INLINE_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#if CELLS > 16
#error "the ATmega328P build has four select lines, so at most 16 cells a row: build this board for the RP2040 (make rp2040)"
#endif
/* Store, ring, the frame that goes out, rest levels: the rest of the 2 KB is for the stack and small things. */
#if STORE_BYTES + (SCAN_RING + PART_SCANS) * SCAN_BYTES + 2 * VALUES > 1600
#error "the ATmega328P has 2 KB of RAM and this board needs more: lower STORE_BYTES, SCAN_RING or PART_SCANS, or build it for the RP2040 (make rp2040)"
#endif

#define ROM PROGMEM
#define ROM_U32(address) pgm_read_dword(address)

/* Timer 1 at 16 MHz / 64. */
#define TICK_HZ 250000UL

/* 16 MHz / 16 = 1 MHz: 13 clocks or 13 us a conversion, the sample held 1.5 clocks after its start (ATmega328P data
 * sheet, ADC chapter; from memory). */
#define ADC_GO (_BV(ADEN) | _BV(ADSC) | _BV(ADIE) | _BV(ADPS2))
#if VALUE_BITS == 8
#define ADC_REFERENCE (_BV(REFS0) | _BV(ADLAR))
#else
#define ADC_REFERENCE _BV(REFS0)
#endif

extern volatile uint16_t avr_ticks_high;

/* Always inline: an interrupt that calls a function saves every register a function may use. */
static inline __attribute__((always_inline)) uint32_t hal_ticks(void)
{
    uint8_t interrupts = SREG;
    uint16_t low;
    uint16_t high;

    cli();
    low = TCNT1;
    high = avr_ticks_high;
    /* The timer has wrapped and its interrupt still waits. */
    if ((TIFR1 & _BV(TOV1)) != 0 && low < 0x8000U) {
        high++;
    }
    SREG = interrupts;
    return ((uint32_t)high << 16) | low;
}

static inline void hal_start_conversion(void)
{
    ADCSRA = ADC_GO;
    /* Nothing that belongs after the start may be moved before it: it would delay the start, and bring the next select
     * too close behind it. */
    __asm__ volatile("" ::: "memory");
}

static inline __attribute__((always_inline)) uint32_t hal_conversion_ticks(void)
{
    return hal_ticks();
}

/* The sample is held at the latest 2.5 us or 40 cycles after hal_start_conversion() (the start waits for the next
 * converter clock). scan_conversion_done() takes some 30 to get here; the delay makes up the rest, and tests/firmware
 * measures the sum. */
#define HOLD_DELAY_CYCLES 14

static inline void hal_select_cell(uint8_t row, uint8_t cell)
{
    __asm__ volatile("" ::: "memory");
    __builtin_avr_delay_cycles(HOLD_DELAY_CYCLES);
    PORTB = cell;
#if ROWS > 1
    ADMUX = (uint8_t)(ADC_REFERENCE | row);
#else
    (void)row;
#endif
}

#endif
