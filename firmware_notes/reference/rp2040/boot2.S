/* The first 256 bytes of flash: the boot ROM copies them to RAM, checks their CRC (which uf2.py puts in) and jumps here
 * (RP2040 data sheet, 2.8.1). Flash answers plain read commands from then on, as every flash chip can; that is slow, and
 * fast enough to copy the program to RAM once. */
    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .section .boot2, "ax"

    .global boot2
    .thumb_func
boot2:
    ldr r3, =0x14               /* ROM_TABLE, ROM_LOOKUP */
    ldrh r0, [r3, #0]
    ldrh r2, [r3, #4]
    ldr r1, =0x5843             /* 'C', 'X': flash_enter_cmd_xip */
    blx r2
    blx r0
    ldr r3, =vectors_in_flash
    ldr r0, [r3, #0]
    ldr r1, [r3, #4]
    msr msp, r0
    bx r1
    .pool
