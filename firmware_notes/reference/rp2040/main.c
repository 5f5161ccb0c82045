/* The board on an RP2040: the rest of the hardware layer, the interrupts, and main. */
#include "board.h"
#include "hal.h"
#include "rp2040/start.h"
#include "scan.h"

#define CLOCK_HZ 125000000UL
#define ADC_HZ 48000000UL
#define SWITCH_PIN 8
#define RECEIVED_BYTES 256U
/* 400 us: longer than the main loop takes for a round, shorter than what the scan ring lets wait. */
#define PATIENCE_TICKS (TICK_HZ / 2500)

/* The boot id's two places: the last two sectors, each erased alone, so that a power cut ruins only one. */
#ifndef FLASH_BYTES
#define FLASH_BYTES 0x200000UL
#endif
#define SECTOR_BYTES 0x1000UL
#define PAGE_BYTES 256UL
#define PLACE_AT(place) (FLASH_BYTES - (2UL - (place)) * SECTOR_BYTES)
#define SECTOR_ERASE 0x20U

uint32_t rp2040_next_pins;
uint32_t rp2040_next_channel;
uint32_t rp2040_converter = ADC_ON;

static volatile uint8_t received[RECEIVED_BYTES];
static volatile uint16_t received_in;
static volatile uint16_t received_out;
static volatile uint32_t frame_end_ticks;

void on_converted(void)
{
    scan_conversion_done((cell_value)(REGISTER(ADC_FIFO) >> (12 - VALUE_BITS)));
}

void on_received(void)
{
    while ((REGISTER(UART0_FLAGS) & UART_RX_EMPTY) == 0) {
        uint8_t byte = (uint8_t)REGISTER(UART0_DATA);

        if (byte == 0) {
            frame_end_ticks = hal_ticks();
        }
        /* A byte too many is lost, and its frame with it: the CRC tells. */
        if ((uint16_t)(received_in - received_out) < RECEIVED_BYTES) {
            received[received_in % RECEIVED_BYTES] = byte;
            received_in++;
        }
    }
}

bool hal_write_byte(uint8_t byte)
{
    if ((REGISTER(UART0_FLAGS) & UART_TX_FULL) != 0) {
        return false;
    }
    REGISTER(UART0_DATA) = byte;
    return true;
}

bool hal_await(uint32_t ticks)
{
    int32_t left = (int32_t)(ticks - hal_ticks());

    if (left > (int32_t)PATIENCE_TICKS) {
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
    return frame_end_ticks;
}

bool hal_switch_pressed(void)
{
    return (REGISTER(SIO_IN) & 1UL << SWITCH_PIN) == 0;
}

typedef vector (*rom_lookup)(const uint16_t *table, uint32_t name);

/* A function of the boot ROM by its two letters (RP2040 data sheet, 2.8.3). */
static vector rom_function(char a, char b)
{
    /* Volatile pointers, or the compiler takes the low addresses for a null pointer's. */
    const uint16_t *volatile table = (const uint16_t *)ROM_TABLE;
    const uint16_t *volatile lookup = (const uint16_t *)ROM_LOOKUP;
    rom_lookup look_up = (rom_lookup)(uintptr_t)*lookup;

    return look_up((const uint16_t *)(uintptr_t)*table, ROM_NAME(a, b));
}

uint8_t hal_storage_read(uint8_t place, uint8_t at)
{
    return *(volatile uint8_t *)(FLASH_UNCACHED + PLACE_AT(place) + at);
}

void hal_storage_write(uint8_t place, const uint8_t bytes[8])
{
    void (*connect)(void) = rom_function('I', 'F');
    void (*leave_reading)(void) = rom_function('E', 'X');
    void (*erase)(uint32_t, uint32_t, uint32_t, uint32_t) =
        (void (*)(uint32_t, uint32_t, uint32_t, uint32_t))rom_function('R', 'E');
    void (*program)(uint32_t, const uint8_t *, uint32_t) =
        (void (*)(uint32_t, const uint8_t *, uint32_t))rom_function('R', 'P');
    void (*flush)(void) = rom_function('F', 'C');
    void (*enter_reading)(void) = rom_function('C', 'X');
    uint8_t page[PAGE_BYTES];
    uint16_t i;

    for (i = 0; i < PAGE_BYTES; i++) {
        page[i] = i < 8 ? bytes[i] : 0xFF;
    }
    connect();
    leave_reading();
    erase(PLACE_AT(place), SECTOR_BYTES, SECTOR_BYTES, SECTOR_ERASE);
    program(PLACE_AT(place), page, PAGE_BYTES);
    flush();
    enter_reading();
}

void hal_board_id(uint8_t id[8])
{
    static const uint8_t board_id[8] = {BOARD_ID};
    uint8_t i;

    for (i = 0; i < 8; i++) {
        id[i] = board_id[i];
    }
}

static void start_hardware(void)
{
    uint32_t divider_64ths = (8 * CLOCK_HZ / LINE_BAUD + 1) / 2;
    uint8_t row;
    uint8_t pin;

    for (pin = SELECT_PIN; pin < SELECT_PIN + 6; pin++) {
        REGISTER(IO_CTRL(pin)) = IO_SIO;
    }
    REGISTER(SIO_ENABLE_SET) = SELECT_MASK;
    REGISTER(IO_CTRL(SWITCH_PIN)) = IO_SIO;
    SET_BITS(PADS(SWITCH_PIN)) = PADS_PULL_UP | PADS_INPUT;
    CLEAR_BITS(PADS(SWITCH_PIN)) = PADS_PULL_DOWN;
    for (row = 0; row < ROWS; row++) {
        CLEAR_BITS(PADS(26 + row)) = PADS_PULL_UP | PADS_PULL_DOWN | PADS_INPUT;
        SET_BITS(PADS(26 + row)) = PADS_NO_OUTPUT;
    }

    REGISTER(IO_CTRL(0)) = IO_UART;
    REGISTER(IO_CTRL(1)) = IO_UART;
    SET_BITS(PADS(1)) = PADS_PULL_UP | PADS_INPUT;
    CLEAR_BITS(PADS(1)) = PADS_PULL_DOWN;
    REGISTER(UART0_BAUD_WHOLE) = divider_64ths / 64;
    REGISTER(UART0_BAUD_64THS) = divider_64ths % 64;
    /* No FIFO: each byte's own interrupt tells when it came, and a clock reply leaves at its tick. */
    REGISTER(UART0_LINE) = UART_8_BITS;
    REGISTER(UART0_CTRL) = UART_ON;
    REGISTER(UART0_INTERRUPTS) = UART_RX_INTERRUPT;

    REGISTER(ADC_CS) = ADC_ON;
    while ((REGISTER(ADC_CS) & ADC_READY) == 0) {
    }
    REGISTER(ADC_DIV) = (CELL_US * (ADC_HZ / 1000000UL) - 1) << 8;
    REGISTER(ADC_FCS) = ADC_FIFO_ON | 1UL << ADC_FIFO_LEVEL_AT;
    REGISTER(ADC_INTERRUPTS) = 1;
    /* The converter goes first: a byte may wait 87 us. */
    REGISTER(NVIC_PRIORITY(IRQ_UART0)) = 2UL << NVIC_PRIORITY_AT(IRQ_UART0);
    REGISTER(NVIC_ENABLE) = 1UL << IRQ_UART0 | 1UL << IRQ_ADC;
}

int main(void)
{
    start_hardware();
    board_start();
    rp2040_converter = ADC_ON | ADC_START_MANY;
    REGISTER(ADC_CS) = rp2040_converter;
    for (;;) {
        board_poll();
        /* The next conversion ends in CELL_US at the latest; until then there is nothing to do, and a resting processor
         * disturbs the converter least. */
        __asm__ volatile("wfi" ::: "memory");
    }
}
