/* What the files of this port know of each other.
 *
 * The whole program runs from RAM, in one loop. One interrupt is enabled in all of it, that of the timer's
 * alarm 1, which puts out what is due. Those of USB and of alarm 0 only wake the processor, but for two
 * times:
 * - while the flash is written and the loop is held up, the loop's functions run from them;
 * - while the loop works for the probes, USB's takes markers in (packet_input.c): none is to wait. */
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

/* Whether this is called from one. */
static inline bool is_interrupt(void)
{
    uint32_t number;

    __asm volatile("mrs %0, ipsr" : "=r"(number));
    return number != 0;
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
bool readback_waits(void); /* there is something to drain */
bool readback_runs(void); /* readback or digital probes are watched */
uint8_t probe_pins_on(void); /* enum probe_bit: of the digital inputs, those that are on now */

/* probe_levels.c */
void probe_levels_of(struct box *box);
void probe_levels_start(void);
void probe_levels_stop(void);
/* One piece of work on samples that have come in, if they run; false if there was none. */
bool probe_levels_work(void);
extern bool probe_levels_run;

/* flash_store.c */
void flash_start(void);
void rom_boot_loader(void);

/* packet_input.c */
void input_start(void);
void input_end(void);  /* no marker is let in any more: the box restarts */
void input_take(void); /* USB is served, and the core gets what has come in */
/* let_markers_in() (board.h) has no effect while no probe is watched. */
bool input_came(void); /* since they were let in */
extern volatile bool input_left; /* bytes that the core has not seen wait */
void usb_interrupt(void); /* the handler (start.S) */

/* main.c: the box; the handler of alarm 0 (start.S), and of USB while the flash is written */
extern struct box box;
void serve_interrupt(void);
