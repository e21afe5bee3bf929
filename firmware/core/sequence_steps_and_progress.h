/* A list of steps that the box plays by its own clock. The board moves the lines; this part only follows
 * it. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "board_config.h"
#include "markers_ahead.h"
#include "messages.h"

struct sequence {
    union { /* one or the other is in use */
        struct step steps[BOARD_STEPS]; /* with levels, not codes: what the board takes */
        struct ahead_marker places[BOARD_PLACES]; /* while `count` is 0 */
    };
    uint16_t count;
    uint8_t state; /* enum sequence_state */
    uint32_t repeats;
    uint32_t played; /* steps begun; stays at its highest value */
    uint64_t started_us;
    uint64_t ended_us;

    /* While it plays: where it is. */
    uint16_t step;
    uint32_t rounds; /* that are over */
    uint64_t step_ends_us;
};

/* Forgets the steps; the places are free then. */
void sequence_empty(struct sequence *sequence);

/* Adds a step; the caller has checked that it fits. */
void sequence_add(struct sequence *sequence, uint8_t levels, uint32_t us);

/* Most repeats for the steps loaded, so that the number of steps played fits 32 bits. */
uint32_t sequence_most_repeats(const struct sequence *sequence);

/* It will start at a time to come; and it won't, after all. */
void sequence_will_start(struct sequence *sequence, uint32_t repeats, const uint64_t *at);
void sequence_not_started(struct sequence *sequence);

OUT_OF_LINE void sequence_started(struct sequence *sequence, uint32_t repeats, const uint64_t *at);

/* Brings the state of one that plays up to `now`, step by step. Returns whether it is over, which was at
 * `step_ends`. */
bool sequence_go_on(struct sequence *sequence, const uint64_t *now);

/* The sequence is over at `at`, by itself (SEQUENCE_ENDED) or because the host said so (SEQUENCE_STOPPED). */
void sequence_over(struct sequence *sequence, uint8_t state, const uint64_t *at);
