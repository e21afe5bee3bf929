/* The virtual box: the firmware core on a board that is made of memory.
 *
 * Its time stands still until somebody moves it, so that a test decides what happens when, and a real-time
 * box is one whose time is moved along with the computer's clock. Lines change at exactly the microsecond
 * that the core asked for. Eight readback inputs see the lines through a wiring: a table from driven
 * levels to seen levels, and for each input how long a rise and a fall take. */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct virtual_box;

struct virtual_edge {
    uint64_t time; /* box time, microseconds */
    uint8_t levels;
};

#define VIRTUAL_SLOT_SIZE 64
#define VIRTUAL_STORE_SIZE (2 * VIRTUAL_SLOT_SIZE)
#define VIRTUAL_NEVER UINT64_MAX

/* A box that has no power yet, with an erased store (all 0xFF) and straight wiring. NULL if there is no
 * memory for it. */
struct virtual_box *virtual_new(const uint8_t serial[8]);
void virtual_free(struct virtual_box *box);

/* Starts the box, or starts it again: box time begins at 0, the store stays, bytes on their way are gone. */
void virtual_start(struct virtual_box *box, int cause);

/* Box time now, and the next time at which something will happen by itself (VIRTUAL_NEVER: nothing will). */
uint64_t virtual_time(const struct virtual_box *box);
uint64_t virtual_next(struct virtual_box *box);

/* Moves box time to `until`; everything on the way happens at its own microsecond. */
void virtual_advance(struct virtual_box *box, uint64_t until);

/* Bytes that come in on the framed port and on the byte input, at the present box time. */
void virtual_receive(struct virtual_box *box, const uint8_t *bytes, size_t count);
void virtual_byte_input(struct virtual_box *box, const uint8_t *bytes, size_t count);

/* Takes up to `size` of the bytes that the box sent on the framed port; returns how many there were. */
size_t virtual_take(struct virtual_box *box, uint8_t *bytes, size_t size);

/* Takes up to `size` changes of the output lines, oldest first; the first entry after a start is the level
 * at time 0. `virtual_edges_lost` counts changes for which there was no room (2^16 are held). */
size_t virtual_take_edges(struct virtual_box *box, struct virtual_edge *edges, size_t size);
uint32_t virtual_edges_lost(const struct virtual_box *box);

/* Levels on the lines and at the readback inputs now. */
uint8_t virtual_outputs(const struct virtual_box *box);
uint8_t virtual_readback(const struct virtual_box *box);

/* What the readback sees: seen = table[driven], then each input n follows `rise[n]` or `fall[n]`
 * microseconds later; a level that does not last that long does not get through. */
void virtual_wire(struct virtual_box *box, const uint8_t table[256], const uint32_t rise[8],
                  const uint32_t fall[8]);

/* The level at a probe input from box time `time` on, or from now on if that is past: 0 light, 1 sound (how
 * loud: the distance from rest), 2 TTL; 65535 is the full scale, and the comparators of the board switch at
 * half of it. Changes may be given ahead, in any order; a restart of the box leaves them where they are in
 * real time. False if there is no such input, or 8,192 changes wait already. */
bool virtual_probe(struct virtual_box *box, int input, uint16_t level, uint64_t time);
uint16_t virtual_probe_level(const struct virtual_box *box, int input);

/* The settings store, to look at or to fill; and a power cut: after `writes` more bytes the store takes no
 * further byte until the next start (-1: no cut). */
uint8_t *virtual_store(struct virtual_box *box);
void virtual_cut_power(struct virtual_box *box, long writes);

/* Whether the box asked to be restarted; the caller then calls virtual_start() with cause 5. */
bool virtual_wants_restart(const struct virtual_box *box);
