/* What the files of this port know of each other.
 *
 * The whole program runs from RAM, in one loop. One interrupt is ever enabled in it, that of the timer's
 * alarm 1, which puts out what is due. Those of USB and of alarm 0 only wake the processor. The exception is
 * the time in which the flash is written and the loop is held up; then the same functions run from them. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "rp2040.h"

static inline void interrupts_off(void)
{
    __asm volatile("cpsid i" ::: "memory");
}

static inline void interrupts_on(void)
{
    __asm volatile("cpsie i" ::: "memory");
}

/* Those of USB and of alarm 0. */
static inline void serve_by_interrupt(bool on)
{
    *(on ? &NVIC_ENABLE : &NVIC_DISABLE) = BIT(IRQ_TIMER0) | BIT(IRQ_USB);
}

/* clocks_watchdog_start_cause.c */
void tick_start(void);
void watchdog_start(void);
void clocks_start(void);
void watchdog_feed(void);
enum box_cause restart_cause(void);
void restart_now(bool into_boot_loader);

/* pio_output.c */
void players_start(struct box *box);
void begin_interrupt(void); /* alarm 1 (start.S) */
void players_drive(void); /* the lines, from now on, at the levels that board_play() set */

/* readback_edge_capture.c */
void readback_start(struct box *box);
void readback_drain(void);
uint8_t probe_pins_on(void); /* enum probe_bit: of the digital inputs, those that are on now */

/* probe_levels.c */
void probe_levels_of(struct box *box);
void probe_levels_start(void);
void probe_levels_stop(void);
/* One piece of work on samples that have come in, if they run; false if there was none. Short, because a marker
 * that comes in meanwhile waits for it. */
bool probe_levels_work(void);
extern bool probe_levels_run;

/* flash_store.c */
void flash_start(void);
void rom_boot_loader(void);

/* main.c: the handler of the others (start.S) */
void serve_interrupt(void);
