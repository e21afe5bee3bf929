/* The parts of the Nano port. There is one board on the chip, so its state lies in registers and in
 * statics beside them. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "box_state.h"

#define CYCLES_PER_US 16
_Static_assert(F_CPU == CYCLES_PER_US * 1000000UL, "the port is written for 16 MHz");

extern struct box the_box;

/* Start (start_and_restart.c): what happens before main(), and why. */
enum box_cause start_cause(void);
void start_serial_seed(uint8_t seed[8]);

/* Clock (tick_counter.c): Timer 1 counts CPU cycles and never stops. */
void clock_start(void);

/* Box time of a moment in the last 2 ms at which Timer 1 counted `ticks`. Interrupts may be on or off. */
uint64_t clock_time_of(uint16_t ticks);

/* The low 32 bits of that, with interrupts off. */
uint32_t clock_us_of(uint16_t ticks);

/* Goes up by one every 65.5 ms. */
uint8_t clock_beat(void);

/* Lines out (outputs.c): drives them from now on, at the levels that board_play() set. */
void outputs_drive(void);

/* The readback or a probe is watched from now on, whose interrupt may hold back the one of the lines. */
void outputs_wake_earlier(bool watching);

/* Serial port (uart.c). */
void uart_start(uint32_t baud);

/* The next byte that came in, if there is one now or, with patience, within two bytes' time. From then on
 * the receiver holds no more than two bytes, until uart_listen(): that has to be called before anything
 * that takes longer than two bytes do. */
bool uart_take(uint8_t *byte, bool patient);
void uart_listen(void);

/* Whether bytes have come in that wait to be taken. */
bool uart_has_more(void);

/* Bytes that were lost since the last call. */
uint8_t uart_lost(void);

/* Readback (readback_edge_capture.c). */
void readback_start(void);

/* The lines were written when Timer 1 counted `edge`. If the readback has followed already, its interrupt,
 * which comes later, takes that for the time of the change. Interrupts are off. */
void readback_note(uint16_t edge);

/* Probe (readback_edge_capture.c, which has the interrupt): its input's pin is high now. */
bool probe_pin_is_high(void);

/* Level of a probe (probe_level.c). */
void probe_level_start(void);
void probe_level_poll(void);

/* Status light (status_led.c). */
void light_flash(void);
void light_poll(void);
