/* What the files of this port know of each other.
 *
 * The whole program runs from RAM, in one loop, with interrupts masked: they only wake the processor. The
 * exception is the time in which the flash is written and the loop is held up; then the same functions run
 * from the interrupts. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board.h"

/* clocks_restart.c */
void tick_start(void);
void watchdog_start(void);
void clocks_start(void);
void watchdog_feed(void);
enum box_cause restart_cause(void);
void restart_now(bool into_boot_loader);

/* pio_output.c */
void players_start(void);
void players_drive(void); /* the lines, from now on, at the levels that board_play() set */

/* readback.c */
void readback_start(struct box *box);
void readback_drain(void);

/* flash_store.c */
void flash_start(void);
void rom_boot_loader(void);

/* main.c: the one interrupt handler (start.S) */
void serve_interrupt(void);
