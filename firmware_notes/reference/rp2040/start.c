/* From the boot ROM to main: the program copied to RAM, clocks, vector table. */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "rp2040/registers.h"
#include "rp2040/start.h"

extern uint32_t ram_begins[];
extern uint32_t ram_ends[];
extern const uint32_t ram_in_flash[];
extern uint32_t bss_begins[];
extern uint32_t bss_ends[];
/* No function, but the vector table holds functions. */
void stack_top(void);

/* The compiler may call these for any copy or fill; there is no C library to give them. */
void *memcpy(void *to, const void *from, size_t count)
{
    uint8_t *out = to;
    const uint8_t *in = from;

    while (count-- > 0) {
        *out++ = *in++;
    }
    return to;
}

void *memset(void *to, int value, size_t count)
{
    uint8_t *out = to;

    while (count-- > 0) {
        *out++ = (uint8_t)value;
    }
    return to;
}

static void stop(void)
{
    for (;;) {
    }
}

#define INTERRUPTS 26

/* Stack pointer, reset, NMI, hard fault; then what is not used; then the chip's interrupts. */
__attribute__((section(".vectors"), used, aligned(256))) const vector vectors[16 + INTERRUPTS] = {
    [0] = stack_top,
    [1] = stop,
    [2] = stop,
    [3] = stop,
    [16 + IRQ_UART0] = on_received,
    [16 + IRQ_ADC] = on_converted,
};

static void bring_out_of_reset(uint32_t blocks)
{
    CLEAR_BITS(RESETS_RESET) = blocks;
    while ((REGISTER(RESETS_DONE) & blocks) != blocks) {
    }
}

static void start_pll(uint32_t pll, uint32_t multiplier, uint32_t divider_1, uint32_t divider_2)
{
    REGISTER(pll + PLL_CS) = 1;
    REGISTER(pll + PLL_FBDIV) = multiplier;
    CLEAR_BITS(pll + PLL_PWR) = PLL_PD | PLL_VCOPD;
    while ((REGISTER(pll + PLL_CS) & PLL_LOCK) == 0) {
    }
    REGISTER(pll + PLL_PRIM) = divider_1 << 16 | divider_2 << 12;
    CLEAR_BITS(pll + PLL_PWR) = PLL_POSTDIVPD;
}

/* From a 12 MHz crystal: 125 MHz for the processor and the UART, 48 MHz for the converter, 1 MHz for the timer. */
static void start_clocks(void)
{
    REGISTER(XOSC_STARTUP) = 47; /* a millisecond: 12 MHz / 256 / 1000 */
    REGISTER(XOSC_CTRL) = XOSC_ENABLE | XOSC_1_15_MHZ;
    while ((REGISTER(XOSC_STATUS) & XOSC_STABLE) == 0) {
    }
    REGISTER(CLK_REF_CTRL) = CLK_REF_FROM_CRYSTAL;
    while ((REGISTER(CLK_REF_SELECTED) & 1UL << CLK_REF_FROM_CRYSTAL) == 0) {
    }
    bring_out_of_reset(RESETS_PLL_SYS | RESETS_PLL_USB);
    start_pll(PLL_SYS, 125, 6, 2); /* 12 MHz * 125 / 6 / 2 */
    start_pll(PLL_USB, 100, 5, 5); /* 12 MHz * 100 / 5 / 5 */
    REGISTER(CLK_SYS_CTRL) = 0;    /* its auxiliary source: PLL_SYS */
    REGISTER(CLK_SYS_CTRL) = CLK_SYS_FROM_AUX;
    while ((REGISTER(CLK_SYS_SELECTED) & 1UL << CLK_SYS_FROM_AUX) == 0) {
    }
    REGISTER(CLK_PERI_CTRL) = CLK_ENABLE; /* from the processor's clock */
    REGISTER(CLK_ADC_CTRL) = CLK_ENABLE;  /* from PLL_USB */
    REGISTER(WATCHDOG_TICK) = WATCHDOG_TICK_ON | 12;
    bring_out_of_reset(RESETS_ADC | RESETS_IO_BANK0 | RESETS_PADS_BANK0 | RESETS_TIMER | RESETS_UART0);
}

__attribute__((noreturn)) static void run(void)
{
    start_clocks();
    main();
    stop();
    __builtin_unreachable();
}

/* In flash, with nothing of RAM to rely on yet. Volatile, or the compiler makes calls to memcpy of the loops. */
__attribute__((section(".start"), used, noreturn)) static void start(void)
{
    volatile uint32_t *to = ram_begins;
    const uint32_t *from = ram_in_flash;
    void (*volatile go_on)(void) = run;

    while (to < ram_ends) {
        *to++ = *from++;
    }
    for (to = bss_begins; to < bss_ends; to++) {
        *to = 0;
    }
    REGISTER(SCB_VTOR) = (uint32_t)(uintptr_t)vectors;
    go_on();
    __builtin_unreachable();
}

__attribute__((section(".vectors_in_flash"), used)) const vector vectors_in_flash[2] = {
    stack_top,
    start,
};
