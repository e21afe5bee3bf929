/* The whole border between the core and a board.
 *
 * A port supplies the functions below and a `board_config.h` on its include path, and it calls the
 * functions at the end of this file. Nothing else crosses. The core never disables interrupts, never
 * waits, and keeps all its state in one `struct box` that the port owns, so that a test can run two boxes
 * in one process; `struct board` is the port's own.
 *
 * board_config.h defines:
 *   BOARD_KIND           1 virtual, 2 nano, 3 pico; other numbers for other ports
 *   BOARD_WINDOW         bytes of requests, as they are on the wire, that the port can hold until the core
 *                        has seen them
 *   BOARD_HISTORY        markers whose fate the box remembers: a power of two above BOARD_WINDOW / 7, at
 *                        most 64
 *   BOARD_SEND_RESERVE   room for sending, in bytes, that notices leave free for answers
 *   BOARD_STEPS          steps of the longest sequence
 *   BOARD_EDGES          changes of the readback that the capture holds: a power of two, at most 128
 *   BOARD_PROBE_EDGES    changes at the probes that wait to be sent, at most: likewise
 *   BOARD_ANALOG_INPUTS  0, or 2: light and sound
 *   BOARD_DIGITAL_INPUTS 0; 1: one, which watches light, sound or TTL; 3: one for each of them
 *   BOARD_LEAST_WIDTH    shortest width, hold time and gap that the port times rightly, in microseconds
 *   BOARD_LEAST_LEAD     how long before its edge the core hands over a course that is due, at least, in
 *                        microseconds: more than the longest time from a look at the clock in the core to
 *                        the end of the board_arm() or board_play() that follows
 *   BOARD_PLACES         markers that wait for their time, and ones that did and are remembered; 1 where the
 *                        port can't do that (no CAPABILITY_AHEAD), and board_arm() is never called
 *   BOARD_LETS_MARKERS_IN  1 where the port passes markers on by interrupt while edges of probes are
 *                        written (let_markers_in()); otherwise not defined
 *   BOARD_CAPABILITIES   bits of `enum capability` in messages.h
 *   BOARD_BY_POINTER     keeps the compiler from putting a pointer's known address into each instruction,
 *                        where that makes them longer; otherwise not defined
 *   BOARD_TABLE          what puts a constant table where the chip has room: nothing, or an address space
 *
 * Contexts: everything here is called from the main loop, in which the core runs, unless a comment says
 * otherwise. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "bytes_and_counters.h"

struct board;
struct box;

/* Time --------------------------------------------------------------------------------------------------- */

/* Microseconds since the box started. Never goes back, never wraps. */
uint64_t board_time(struct board *board);

/* Lines out ---------------------------------------------------------------------------------------------- */

/* One level pattern, bit n for line n, and how long it stays on the lines. If it has the strobe's line
 * active (strobe.h), the port keeps that line at idle for the lead of the settings first, and for the hold
 * last; each of the three parts lasts BOARD_LEAST_WIDTH at least. The strobe changes only while no course
 * plays. */
struct step {
    uint8_t levels;
    uint32_t us; /* from BOARD_LEAST_WIDTH to one hour */
};

/* What the lines will do from one moment on, with no more help from the core: `count` steps, `repeats`
 * times over (0: indefinitely), then `rest` until another course. With no steps it is `rest` at once. */
struct course {
    const struct step *steps; /* unchanged until the course has ended or board_play() was called again */
    uint16_t count;
    uint32_t repeats;
    uint8_t rest;
};

/* Drops the course that was playing, wherever it was, and begins this one: its first levels are on the
 * lines when the function returns, all eight as near to the same moment as the port can, with no other
 * level in between. Every later edge is timed from that first edge by the port alone. Returns the box time
 * of the first edge. What is due begins at its time all the same; the core doesn't call this in the last
 * BOARD_LEAST_LEAD before. */
uint64_t board_play(struct board *board, const struct course *course);

/* What begins at a time of its own: a step, then `rest`; with no width (`step.us` 0) the levels stay. */
struct due {
    uint32_t at_us; /* low 32 bits of the box time of the edge, less than 2^31 microseconds away */
    struct step step;
    uint8_t rest;
};

/* Another one is the next to begin by itself, or none is any more: box_due() says which. Its edge comes in
 * the very microsecond, from an interrupt or from hardware, whatever the main loop does. It takes the place
 * of the course that plays then, of which an edge in the same microsecond is left out. With the edge the
 * port calls box_begun(), and box_due() again for the next one, which may be BOARD_LEAST_WIDTH away. Once
 * this function has returned, one that box_due() no longer gives can't begin any more. */
void board_arm(struct board *board);

/* This course will be due: the port does now what takes its time. No sequence plays. */
void board_prepare(struct board *board, const struct course *course);

/* Levels that the box drives now, bit n for line n. */
uint8_t board_outputs(struct board *board);

/* Readback ----------------------------------------------------------------------------------------------- */

/* Levels of the eight readback inputs now, bit n for line n. */
uint8_t board_readback(struct board *board);

/* While on, the port calls box_captured() at each change of the readback. */
void board_watch(struct board *board, bool on);

/* Probes ------------------------------------------------------------------------------------------------- */

/* These are watched from now on (enum probe_bit), and no others: the port calls box_probe() at each change of
 * a digital input, and box_probe_level() with the levels of the analog ones. Their state now is no change. */
void board_probes(struct board *board, uint8_t probes);

/* Levels, watched or not: 65536 is the full scale. */
struct probe_levels {
    uint8_t on;       /* bits of enum probe_bit, of digital inputs alone: what they watch is on now */
    /* of light and sound: lowest and highest in the last 10 ms or more; 0 where a board has no such input */
    uint16_t low[2];
    uint16_t high[2];
};
void board_probe_levels(struct board *board, struct probe_levels *levels);

/* With analog inputs. Takes samples from now on, 1 of `every` that the port makes, until the memory is full;
 * then: how many there are, the box time of sample `first` and the microseconds between them; copies up to
 * `most` from that one on and returns how many. */
void board_snippet_take(struct board *board, uint8_t input, uint8_t every);
struct snippet {
    uint64_t time_us;
    uint16_t interval_us;
    uint16_t taken;
};
uint8_t board_snippet_read(struct board *board, uint16_t first, struct snippet *snippet, uint16_t *samples,
                           uint8_t most);

/* Bytes out ---------------------------------------------------------------------------------------------- */

/* Bytes that board_send() would take now. */
uint16_t board_send_room(struct board *board);

/* Queues `count` bytes for the host. Never called with more than board_send_room(). */
void board_send(struct board *board, const uint8_t *bytes, uint8_t count);

/* With BOARD_LETS_MARKERS_IN. While on, box_receive() may be called from an interrupt for a pulse or a set,
 * and box_byte(): the core changes nothing meanwhile but `probes` and `capture`, and sends nothing. */
void let_markers_in(bool on);

/* board_send() in two parts, for a message that is written meanwhile: it takes its place among the others,
 * and is put there before let_markers_in(false). */
uint16_t board_send_reserve(struct board *board, uint8_t count);
void board_send_fill(struct board *board, uint16_t place, const uint8_t *bytes, uint8_t count);

/* Settings store: two slots of non-volatile memory, each of at least 64 bytes ---------------------------- */

void board_store_read(struct board *board, uint8_t slot, uint8_t *record, uint8_t size);

/* Returns when the record is in memory for good, or false where it reads back otherwise. Power may fail at
 * any instant: the other slot is not touched. May take as long as the memory needs; the lines keep their
 * course meanwhile. */
bool board_store_write(struct board *board, uint8_t slot, const uint8_t *record, uint8_t size);

/* Identity and restart ----------------------------------------------------------------------------------- */

/* Eight bytes that no other box has. */
void board_serial(struct board *board, uint8_t serial[8]);

/* Restarts, into the boot loader if told so, after the bytes that were queued have had time to leave. */
void board_restart(struct board *board, bool into_boot_loader);

/* What the port calls ------------------------------------------------------------------------------------ */

enum box_cause { /* why the box started */
    BOX_POWER = 1,
    BOX_RESET_PIN = 2,
    BOX_WATCHDOG = 3,
    BOX_BROWN_OUT = 4,
    BOX_ASKED = 5, /* by a restart request */
    BOX_UNKNOWN = 6
};

/* Once, before anything else. Reads the settings, puts the lines to idle and tells the host that the box
 * started. Before, nobody knows which level is idle: the port drives no line until board_play() is called
 * for the first time, and the resistors on the board hold the lines. */
void box_start(struct box *box, struct board *board, enum box_cause cause);

/* Again and again: everything that happens by the clock (end of a sequence, hold limit, captured edges to
 * send). */
void box_poll(struct box *box);

/* Each byte of the framed port, in order. */
void box_receive(struct box *box, uint8_t byte);

/* Each byte of the byte input, in order. */
void box_byte(struct box *box, uint8_t byte);

/* `count` bytes for the framed port or the byte input were lost before the core could see them: overrun,
 * framing error. */
void box_lost(struct box *box, uint16_t count);

/* `count` messages that board_send() had taken were dropped: the host went away before it took them. */
void box_unsent(struct box *box, uint16_t count);

/* What is due next, or NULL; the course to play then, or NULL for the step alone that is due; and what the
 * port says when that is on the lines. From the interrupt that moves the lines, or from the main loop with
 * that interrupt held off. */
const struct due *box_due(struct box *box);
const struct course *box_due_course(struct box *box);
void box_begun(struct box *box);

/* The readback changed to `levels` at `time`. From interrupts too, but from one of them only. */
void box_captured(struct box *box, uint64_t time, uint8_t levels);

/* What a digital input watches (enum edge_source) went on or off at `time`. From where box_captured()
 * comes. */
void box_probe(struct box *box, uint64_t time, uint8_t source, bool on);

/* Levels of analog inputs were missed: an edge may be missing before the next one. */
void box_probe_missed(struct box *box);

/* An analog input (enum analog_input) has that level since `time`; of sound, the distance from its rest. As
 * often as the port samples it; probe_wants() says what can be left out. From the main loop, or while it is
 * held up. */
void box_probe_level(struct box *box, uint64_t time, uint8_t input, uint16_t level);
