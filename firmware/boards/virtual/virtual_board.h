/* What the virtual box has for a board: memory in place of pins, a store and a port. */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "board.h"
#include "box_state.h"
#include "probe_inputs.h"
#include "strobe.h"
#include "virtual.h"

#define LINES 8
#define SEND_SIZE 8192u
#define EDGES_SIZE 65536u

/* A readback input: the level it has, and the one it is on its way to. */
struct input {
    bool level;
    bool moving; /* to the other level, reached at `due` */
    uint64_t due;
};

struct board {
    struct box *box;
    uint64_t time;
    bool powered;
    bool wants_restart;
    uint8_t serial[8];

    struct course course; /* `count` is 0 once the lines rest */
    struct step own_step; /* of a course that was due */
    uint16_t step;
    uint32_t round;
    struct step parts[STROBE_PARTS]; /* of the step that plays */
    uint8_t part;
    uint8_t part_count;
    uint64_t step_ends;  /* or the part of it */
    uint8_t outputs;

    uint8_t table[256];
    uint32_t rise[LINES];
    uint32_t fall[LINES];
    struct input inputs[LINES];
    bool watched;
    struct probe_inputs probes;

    uint8_t send[SEND_SIZE]; /* a ring: `sent` and `taken` count on without end */
    size_t sent;
    size_t taken;

    struct virtual_edge edges[EDGES_SIZE]; /* likewise */
    size_t edges_made;
    size_t edges_taken;
    uint32_t edges_lost;

    uint8_t store[VIRTUAL_STORE_SIZE];
    long writes_left; /* -1: no power cut is planned */
};

struct virtual_box {
    struct board board;
    struct box box;
};

/* The readback inputs (readback_inputs.c): the lines have changed; and time has gone on. */
void readback_follow(struct board *board);
void readback_arrive(struct board *board);
