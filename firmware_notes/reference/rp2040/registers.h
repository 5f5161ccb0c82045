/* The registers of the RP2040 that this port uses (RP2040 data sheet; the section is named at each block). */
#ifndef RP2040_REGISTERS_H
#define RP2040_REGISTERS_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
/* Writing here sets or clears the bits that are 1 and leaves the others (2.1.2). */
#define SET_BITS(address) REGISTER((address) + 0x2000UL)
#define CLEAR_BITS(address) REGISTER((address) + 0x3000UL)

/* 2.14 Resets */
#define RESETS_RESET 0x4000C000UL
#define RESETS_DONE 0x4000C008UL
#define RESETS_ADC (1UL << 0)
#define RESETS_IO_BANK0 (1UL << 5)
#define RESETS_PADS_BANK0 (1UL << 8)
#define RESETS_PLL_SYS (1UL << 12)
#define RESETS_PLL_USB (1UL << 13)
#define RESETS_TIMER (1UL << 21)
#define RESETS_UART0 (1UL << 22)

/* 2.15 Clocks */
#define CLK_REF_CTRL 0x40008030UL
#define CLK_REF_SELECTED 0x40008038UL
#define CLK_SYS_CTRL 0x4000803CUL
#define CLK_SYS_SELECTED 0x40008044UL
#define CLK_PERI_CTRL 0x40008048UL
#define CLK_ADC_CTRL 0x40008060UL
#define CLK_REF_FROM_CRYSTAL 2UL
#define CLK_SYS_FROM_AUX 1UL
#define CLK_ENABLE (1UL << 11)

/* 2.16 Crystal oscillator */
#define XOSC_CTRL 0x40024000UL
#define XOSC_STATUS 0x40024004UL
#define XOSC_STARTUP 0x4002400CUL
#define XOSC_ENABLE 0xFAB000UL
#define XOSC_1_15_MHZ 0xAA0UL
#define XOSC_STABLE (1UL << 31)

/* 2.18 PLL, the system's and the one for USB and converter */
#define PLL_SYS 0x40028000UL
#define PLL_USB 0x4002C000UL
#define PLL_CS 0x0UL
#define PLL_PWR 0x4UL
#define PLL_FBDIV 0x8UL
#define PLL_PRIM 0xCUL
#define PLL_LOCK (1UL << 31)
#define PLL_PD (1UL << 0)
#define PLL_POSTDIVPD (1UL << 3)
#define PLL_VCOPD (1UL << 5)

/* 2.19 GPIO */
#define IO_CTRL(pin) (0x40014004UL + 8UL * (pin))
#define IO_UART 2UL
#define IO_SIO 5UL
#define PADS(pin) (0x4001C004UL + 4UL * (pin))
#define PADS_PULL_DOWN (1UL << 2)
#define PADS_PULL_UP (1UL << 3)
#define PADS_INPUT (1UL << 6)
#define PADS_NO_OUTPUT (1UL << 7)

/* 2.3.1 SIO */
#define SIO_IN 0xD0000004UL
#define SIO_OUT 0xD0000010UL
#define SIO_ENABLE_SET 0xD0000024UL

/* 4.2 UART (PL011) */
#define UART0_DATA 0x40034000UL
#define UART0_FLAGS 0x40034018UL
#define UART0_BAUD_WHOLE 0x40034024UL
#define UART0_BAUD_64THS 0x40034028UL
#define UART0_LINE 0x4003402CUL
#define UART0_CTRL 0x40034030UL
#define UART0_INTERRUPTS 0x40034038UL
#define UART_TX_FULL (1UL << 5)
#define UART_RX_EMPTY (1UL << 4)
#define UART_8_BITS (3UL << 5)
#define UART_ON (1UL | 1UL << 8 | 1UL << 9)
#define UART_RX_INTERRUPT (1UL << 4)

/* 4.6 Timer, 4.7.2 its tick out of the watchdog's divider */
#define TIMER_LOW_RAW 0x40054028UL
#define WATCHDOG_TICK 0x4005802CUL
#define WATCHDOG_TICK_ON (1UL << 9)

/* 4.9 Converter */
#define ADC_CS 0x4004C000UL
#define ADC_FCS 0x4004C008UL
#define ADC_FIFO 0x4004C00CUL
#define ADC_DIV 0x4004C010UL
#define ADC_INTERRUPTS 0x4004C018UL
#define ADC_ON 1UL
#define ADC_START_MANY (1UL << 3)
#define ADC_READY (1UL << 8)
#define ADC_CHANNEL_AT 12
#define ADC_FIFO_ON 1UL
#define ADC_FIFO_LEVEL_AT 24

/* 2.4 Processor: interrupts, vector table */
#define NVIC_ENABLE 0xE000E100UL
#define NVIC_PRIORITY(irq) (0xE000E400UL + ((irq) & ~3UL))
#define NVIC_PRIORITY_AT(irq) (8UL * ((irq) & 3UL) + 6UL)
#define SCB_VTOR 0xE000ED08UL
#define IRQ_UART0 20UL
#define IRQ_ADC 22UL

/* 2.6.3 Flash as memory, past the cache */
#define FLASH_UNCACHED 0x13000000UL

/* 2.8.3 Boot ROM: two half words that point to its table of functions and to the function that looks up a name there. */
#define ROM_TABLE 0x14UL
#define ROM_LOOKUP 0x18UL
#define ROM_NAME(a, b) ((uint32_t)(a) | (uint32_t)(b) << 8)

#endif
