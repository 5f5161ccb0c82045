/* The board on an ATmega328P: the rest of the hardware layer, the interrupts, and main. */
#include <avr/eeprom.h>

#include "board.h"
#include "hal.h"
#include "scan.h"

#define BAUD LINE_BAUD
/* 115200 from 16 MHz is 2.1 % fast, which a receiver that starts afresh with each byte takes well. */
#define BAUD_TOL 3
#include <util/setbaud.h>

#define RECEIVED_BYTES 32
#define SWITCH_PIN PD4
/* 400 us: longer than the main loop takes for a round, shorter than what the scan ring lets wait. */
#define PATIENCE_TICKS 100

volatile uint16_t avr_ticks_high;

static volatile uint8_t received[RECEIVED_BYTES];
static volatile uint8_t received_in;
static volatile uint8_t received_out;
static volatile uint32_t frame_end_ticks;

ISR(TIMER1_OVF_vect)
{
    avr_ticks_high++;
}

ISR(ADC_vect)
{
#if VALUE_BITS == 8
    scan_conversion_done(ADCH);
#else
    scan_conversion_done(ADC);
#endif
}

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0;

    if (byte == 0) {
        frame_end_ticks = hal_ticks();
    }
    /* A byte too many is lost, and its frame with it: the CRC tells. */
    if ((uint8_t)(received_in - received_out) < RECEIVED_BYTES) {
        received[received_in % RECEIVED_BYTES] = byte;
        received_in++;
    }
}

bool hal_write_byte(uint8_t byte)
{
    if ((UCSR0A & _BV(UDRE0)) == 0) {
        return false;
    }
    UDR0 = byte;
    return true;
}

bool hal_await(uint32_t ticks)
{
    int32_t left = (int32_t)(ticks - hal_ticks());

    if (left > PATIENCE_TICKS) {
        return false;
    }
    while ((int32_t)(ticks - hal_ticks()) > 0) {
    }
    return true;
}

bool hal_read_byte(uint8_t *byte)
{
    if (received_in == received_out) {
        return false;
    }
    *byte = received[received_out % RECEIVED_BYTES];
    received_out++;
    return true;
}

uint32_t hal_frame_end_ticks(void)
{
    uint8_t interrupts = SREG;
    uint32_t ticks;

    cli();
    ticks = frame_end_ticks;
    SREG = interrupts;
    return ticks;
}

bool hal_switch_pressed(void)
{
    return (PIND & _BV(SWITCH_PIN)) == 0;
}

uint8_t hal_storage_read(uint8_t place, uint8_t at)
{
    return eeprom_read_byte((const uint8_t *)(uint16_t)(8 * place + at));
}

void hal_storage_write(uint8_t place, const uint8_t bytes[8])
{
    uint8_t i;

    for (i = 0; i < 8; i++) {
        eeprom_update_byte((uint8_t *)(uint16_t)(8 * place + i), bytes[i]);
    }
}

void hal_board_id(uint8_t id[8])
{
    static const uint8_t board_id[8] ROM = {BOARD_ID};
    uint8_t i;

    for (i = 0; i < 8; i++) {
        id[i] = pgm_read_byte(&board_id[i]);
    }
}

static void start_hardware(void)
{
    DDRB = 0x0F;
    PORTD = _BV(SWITCH_PIN);
    /* The analogue pins' digital inputs only cost current and noise. */
    DIDR0 = (uint8_t)((1U << ROWS) - 1U);
    ADMUX = ADC_REFERENCE;
    TCCR1A = 0;
    TCCR1B = _BV(CS11) | _BV(CS10);
    TIMSK1 = _BV(TOIE1);
    UCSR0A = (uint8_t)(USE_2X ? _BV(U2X0) : 0);
    UBRR0H = UBRRH_VALUE;
    UBRR0L = UBRRL_VALUE;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

int main(void)
{
    start_hardware();
    board_start();
    sei();
    for (;;) {
        board_poll();
    }
}
