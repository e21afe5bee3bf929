/* From reset to main(): second boot stage, vectors, and the copy of the program to RAM. */
    .syntax unified
    .cpu cortex-m0plus
    .thumb

/* Second boot stage. The ROM loads these 256 bytes, checks their CRC and runs them. They let the flash appear
 * at 0x10000000 through the plain serial read, command 03, which every QSPI flash chip knows. That is the
 * slowest way to read, and good enough: the program is read once, into RAM. */
    .section .boot, "ax"
    .global boot_stage
    .thumb_func
boot_stage:
    ldr r0, =0x18000000     /* flash interface */
    movs r1, #0
    str r1, [r0, #0x08]     /* off while it is set up */
    movs r1, #2
    str r1, [r0, #0x14]     /* half the system clock, which is still the ring oscillator's few MHz */
    ldr r1, =0x001F0300     /* one data line, words of 32 bits, read after a command */
    str r1, [r0, #0x00]
    movs r1, #0
    str r1, [r0, #0x04]     /* one word for each read */
    ldr r1, =0x03000218     /* command 03, 8 bits of command, 24 bits of address */
    ldr r2, =0x180000F4
    str r1, [r2]
    movs r1, #1
    str r1, [r0, #0x08]
    ldr r0, =flash_vectors
    ldr r1, =0xE000ED08     /* vector table */
    str r0, [r1]
    ldm r0!, {r1, r2}
    mov sp, r1
    bx r2
    .pool

/* CRC-32/MPEG-2 of the 252 bytes before it. Where the lines above change, the tool that makes the UF2 names
 * the new value. */
    .section .boot_crc, "a"
    .word 0xC6312418

/* What is left in flash: where to begin, and the copy. */
    .section .flash, "ax"
    .balign 256
    .global flash_vectors
flash_vectors:
    .word stack_top
    .word flash_start + 1

    .thumb_func
flash_start:
    ldr r0, =ram_image
    ldr r1, =ram_begin
    ldr r2, =ram_end
1:  ldm r0!, {r3, r4, r5, r6}
    stm r1!, {r3, r4, r5, r6}
    cmp r1, r2
    blo 1b
    ldr r0, =main_start
    bx r0
    .pool

/* In RAM from here. Interrupts that have no handler end in the watchdog. */
    .section .vectors, "a"
    .balign 256
    .global vectors
vectors:
    .word stack_top
    .word main_start
    .rept 14
    .word stray
    .endr
    .word serve_interrupt   /* timer alarm 0 */
    .word begin_interrupt   /* timer alarm 1 */
    .rept 3
    .word stray
    .endr
    .word usb_interrupt     /* USB */
    .rept 26
    .word stray
    .endr

    .text
    .thumb_func
    .type stray, %function
stray:
    b stray

    .thumb_func
    .global main_start
    .type main_start, %function
main_start:
    cpsid i
    ldr r0, =vectors
    ldr r1, =0xE000ED08
    str r0, [r1]
    movs r0, #0
    ldr r1, =bss_begin
    ldr r2, =bss_end
    b 2f
1:  stm r1!, {r0}
2:  cmp r1, r2
    blo 1b
    bl main
    b stray
    .pool
