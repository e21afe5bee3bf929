/* Clocks, watchdog, and why the box started. */
#include "board_internal.h"
#include "rp2040.h"

#define RUNNING                                                                                           \
    0x6E755254UL /* in a scratch register, which a watchdog reset leaves alone: this program was running, \
                    ... */
#define ASKED 0x6B736154UL   /* ... and then was asked to restart */
#define WATCHDOG_US 1000000UL

/* XOSC_STARTUP counts 256 cycles of the crystal at a time. 64 ms: the recommended crystal takes about 6 ms
 * until its clock is good, and there are boards whose crystal needs ten times as long. */
#define CRYSTAL_WAIT (64UL * 12000 / 256)

static void pll_start(uintptr_t pll, uint32_t feedback, uint32_t divider1, uint32_t divider2)
{
    PLL_FBDIV(pll) = feedback;
    CLEAR_BITS(PLL_PWR(pll), BIT(0) | BIT(5)); /* power and oscillator on */
    while (!(PLL_CS(pll) & BIT(31)))
        ;
    PLL_PRIM(pll) = divider1 << 16 | divider2 << 12;
    CLEAR_BITS(PLL_PWR(pll), BIT(3)); /* dividers on */
}

/* The tick of timer and watchdog: every 12 cycles of the reference clock, 1 us once that is the crystal.
 * Until then it is the ring oscillator, which is never faster than 12 MHz: the watchdog may come late
 * then, never early. */
void tick_start(void)
{
    WATCHDOG_TICK = BIT(9) | 12;
}

/* Everything from the 12 MHz crystal: 200 MHz for the processor, PIO and DMA, 48 MHz for USB, 1 MHz for
 * the timer. All edges are counted in cycles of 5 ns and box time in the timer's microseconds, so the two
 * never drift apart. 200 MHz is the highest clock that the chip's maker allows, and wants 1.15 V, one step
 * more than the regulator gives after a reset. */
void clocks_start(void)
{
    const uint32_t needed = RESET_BUSCTRL | RESET_DMA | RESET_IO_BANK0 | RESET_PADS_BANK0 | RESET_PIO0 |
                            RESET_PIO1 | RESET_PLL_SYS | RESET_PLL_USB | RESET_TIMER | RESET_USBCTRL;

    CLEAR_BITS(CLK_SYS_CTRL, 1); /* off the PLL before it is reset: this may be a warm start */
    while (CLK_SYS_SELECTED != 1)
        ;
    SET_BITS(RESETS_RESET, needed);

    XOSC_STARTUP = CRYSTAL_WAIT;
    XOSC_CTRL = 0xFABUL << 12 | 0xAA0;
    while (!(XOSC_STATUS & BIT(31)))
        ;
    CLK_REF_CTRL = 2;
    while (CLK_REF_SELECTED != BIT(2))
        ;

    CLEAR_BITS(RESETS_RESET, needed);
    while ((RESETS_DONE & needed) != needed)
        ;
    VREG = (VREG & ~VREG_VOLTAGE) | VREG_1V15;
    for (uint32_t settle = 0; settle < 3000; settle++) /* more than 0.5 ms on the crystal's clock */
        __asm volatile("nop");
    pll_start(PLL_SYS, 100, 6, 1);
    pll_start(PLL_USB, 100, 5, 5);
    CLK_SYS_DIV = 1UL << 8;
    CLK_SYS_CTRL = 0;
    SET_BITS(CLK_SYS_CTRL, 1);
    while (CLK_SYS_SELECTED != BIT(1))
        ;
    CLK_USB_DIV = 1UL << 8;
    CLK_USB_CTRL = BIT(11);
    BUS_PRIORITY = BUS_PRIORITY_DMA; /* a step on its way to the PIO never waits for the processor */
}

/* Before the clocks, too: a crystal that does not start is tried again. */
void watchdog_start(void)
{
    PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;
    watchdog_feed();
    WATCHDOG_CTRL = WATCHDOG_ENABLE;
}

void watchdog_feed(void)
{
    WATCHDOG_LOAD = 2 * WATCHDOG_US; /* it counts down twice in a microsecond (erratum RP2040-E1) */
}

enum box_cause restart_cause(void)
{
    const uint32_t note = WATCHDOG_SCRATCH0;

    WATCHDOG_SCRATCH0 = RUNNING;
    if (WATCHDOG_REASON && note == RUNNING)
        return BOX_WATCHDOG;
    if (WATCHDOG_REASON) /* the boot loader starts a new program by a watchdog reset, too */
        return note == ASKED ? BOX_ASKED : BOX_UNKNOWN;
    if (CHIP_RESET & CHIP_RESET_HAD_PIN)
        return BOX_RESET_PIN;
    if (CHIP_RESET & CHIP_RESET_HAD_POWER)
        return BOX_POWER; /* a brown-out looks the same on this chip */
    return BOX_UNKNOWN;
}

void restart_now(bool into_boot_loader)
{
    WATCHDOG_SCRATCH0 = ASKED;
    if (into_boot_loader)
        rom_boot_loader();
    PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;
    WATCHDOG_CTRL = WATCHDOG_TRIGGER;
    for (;;)
        ;
}
