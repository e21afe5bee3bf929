/* Markers ahead of their time: accepted now, put out at a box time of their own by the port's interrupt.
 *
 * The places form a list in order of time. The main loop puts in and takes out, the interrupt only moves
 * `first` on; so each change is one store of one byte, made when everything behind it is in place. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "board_config.h"
#include "bytes_and_counters.h"

struct box;

enum { /* what is in a place; any other value is the state of a fate (marker_tags_and_fates.c) */
    PLACE_FREE = 0,
    PLACE_WAITS = 0x82, /* as FATE_WAITING with a note, which no other fate is */
    PLACE_BEGUN = 0x83  /* the interrupt has put it out, and the main loop hasn't seen it yet */
};

struct ahead_marker {
    struct due due;          /* once it is out, `step.us` says how long the pulse lasted that it cut */
    uint16_t time_high;      /* bits 32 to 47 of its box time */
    uint16_t delay_us;       /* by which it was too late to be ready at the time that was asked for */
    uint32_t number;
    uint8_t code;
    volatile uint8_t state;
    volatile uint8_t behind; /* the one that comes after it, as `first` */
};

/* A place is named by its index and one; 0 is none. The start of a sequence has a place of its own, and is
 * alone in the list, as the places of markers hold its steps. */
enum {
    PLACE_OF_START = BOARD_PLACES + 1,
    START_CODE = 0xFF /* stands for its code: before it the gap is over, whatever it begins with */
};

struct ahead {
    volatile uint8_t first; /* of those that wait */
    uint8_t oldest;         /* of those that wait or have begun unseen */
    uint32_t number;        /* of the newest marker that was accepted */
    struct ahead_marker start; /* of the sequence */
    struct course course;      /* likewise: what begins then */
};

/* Accepts the marker `lines.next` for a box time, or for the soonest that can be kept, and answers; or says
 * why not. Times are the low 32 bits. */
uint8_t ahead_accept(struct box *box, uint32_t at, uint32_t expiry);

/* The same for a start of the loaded sequence, which has that time or is refused. */
uint8_t ahead_accept_start(struct box *box, uint32_t at, uint32_t repeats);

/* Takes back the marker with that number, or all (0), unless they are out. Each is told. */
void ahead_cancel(struct box *box, uint32_t number);

/* Whether the marker `lines.next`, which comes at `box->now_us` and waits for its gap, is in the way of one
 * that was accepted. */
uint8_t ahead_in_way(struct box *box, uint32_t wait_us);

/* Whether a marker will go out so soon that nothing else may move the lines before it: at `box_us`, low 32
 * bits. */
bool ahead_is_near(struct box *box, uint32_t box_us);

/* The oldest marker that has begun and was not seen yet, or NULL; and its box time. */
struct ahead_marker *ahead_begun(struct box *box);
OUT_OF_LINE void ahead_time(const struct ahead_marker *marker, uint64_t *time);

/* The width of one that isn't seen to be out; 0: its code stays. */
OUT_OF_LINE uint32_t ahead_width(const struct box *box, const struct ahead_marker *marker);

/* The oldest marker is what the lines show now (box->lines): remember and tell. */
void ahead_went_out(struct box *box);

/* Whether any marker waits, or has begun and can't be forgotten yet. */
bool ahead_any(struct box *box);

/* Writes the answer to the question for the fate of a number; returns the place behind it. */
uint8_t *ahead_fate_write(struct box *box, uint32_t number, uint8_t *body);
