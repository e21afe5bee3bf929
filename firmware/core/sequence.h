/* A list of steps that the box plays by its own clock. The board moves the lines; this part only keeps the books. */
#pragma once

#include <stdint.h>

#include "board.h"
#include "board_config.h"
#include "messages.h"

struct sequence {
    struct step steps[BOARD_STEPS]; /* with levels, not codes: what the board takes */
    uint16_t count;
    uint8_t state; /* enum sequence_state */
    uint32_t repeats;
    uint32_t played; /* once it has ended or was stopped */
    uint64_t once;   /* duration of all steps, microseconds */
    uint64_t started;
    uint64_t will_end; /* while it plays; UINT64_MAX: it plays until it is stopped */
    uint64_t ended;
};

void sequence_empty(struct sequence *sequence);

/* Adds a step; the caller has checked that it fits. */
void sequence_add(struct sequence *sequence, uint8_t levels, uint32_t us);

/* Most repeats for the steps loaded, so that the number of steps played fits 32 bits and the duration 64. */
uint32_t sequence_most_repeats(const struct sequence *sequence);

void sequence_started(struct sequence *sequence, uint32_t repeats, const uint64_t *at);

/* The sequence is over at `at`, by itself (SEQUENCE_ENDED) or because the host said so (SEQUENCE_STOPPED). */
void sequence_over(struct sequence *sequence, uint8_t state, const uint64_t *at);

/* Steps begun until `now`. */
uint32_t sequence_played(const struct sequence *sequence, const uint64_t *now);
