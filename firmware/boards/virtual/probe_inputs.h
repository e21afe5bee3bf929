/* The probe inputs of the virtual box: levels that change at times which somebody gave. */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "messages.h"

#define PROBE_INPUTS 3   /* light, sound, TTL */
#define PROBE_CHANGES 8192u /* that wait for their time, and that are remembered */

struct probe_change {
    uint64_t time;
    uint8_t input;
    uint16_t level;
};

struct probe_inputs {
    struct probe_change waiting[PROBE_CHANGES]; /* a ring, in order of time */
    size_t queued; /* these two count on without end */
    size_t begun;
    struct probe_change past[PROBE_CHANGES]; /* likewise, of the analog inputs */
    size_t made;
    uint16_t level[PROBE_INPUTS];
    bool high[PROBE_INPUTS]; /* as the comparators see them */
    uint8_t watched;         /* enum probe_bit */
    uint64_t look_again[2];  /* at an analog input that may have been silent for long enough then */
    uint64_t snippet_since;
    uint8_t snippet_input;
    uint8_t snippet_every; /* 0: none was taken */
};

struct board;
struct box;

/* Those of a board, and its core. */
struct probe_inputs *board_inputs(struct board *board);
struct box *board_box(struct board *board);

/* The box starts: its time, `now` until then, begins at 0. What waits keeps its place in real time. */
void inputs_start(struct probe_inputs *inputs, uint64_t now);

/* False if there is no such input, or no room. */
bool inputs_add(struct probe_inputs *inputs, uint8_t input, uint16_t level, uint64_t time);

/* When the next change comes, and the changes that have come by `now`. */
uint64_t inputs_next(const struct probe_inputs *inputs);
void inputs_change(struct probe_inputs *inputs, struct box *box, uint64_t now);
