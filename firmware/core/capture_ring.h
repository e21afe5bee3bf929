/* The box's own list of changes at the readback. One interrupt may add to it while the main loop takes
 * from it: each index is one byte and is written by one side only. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board_config.h"
#include "messages.h"

#define EDGE_LENGTH 10 /* of an entry in a message; in front of them are `first` and `lost` */
#define EDGES_BODY_LONGEST (5 + EDGES_IN_FRAME * EDGE_LENGTH)

/* A change at the readback, or of a probe. */
struct captured {
    uint32_t time_us;   /* low 32 bits of its box time, ... */
    uint16_t time_high; /* ... the next 15, and CAPTURED_PROBE */
    uint8_t levels;     /* of a probe: its source, and in bit 0 whether it is on */
    uint8_t lost;       /* changes that were lost just before this one; 255: or more */
};

#define CAPTURED_PROBE 0x8000u

struct capture {
    struct captured edges[BOARD_EDGES];
    volatile uint8_t added; /* counts on without end; the place is the count modulo BOARD_EDGES */
    volatile uint8_t taken;
    volatile uint8_t losing; /* changes lost since the last one that was added */
    uint32_t number; /* how many entries, lost ones included, came before the one at `taken` and its losses */
    uint8_t written; /* entries that capture_write() wrote last */
    bool on;
    bool sends; /* edges go out in notices */
};

void capture_empty(struct capture *capture);
/* Returns false, and notes the loss, where there is no room. `probe`: a change of one. */
bool capture_add(struct capture *capture, const uint64_t *time, bool probe, uint8_t levels);

/* One change: fills it in, and writes it as an entry of a message. */
void captured_note(struct captured *edge, const uint64_t *time, bool probe, uint8_t levels, uint8_t lost);
uint8_t *captured_write(const struct captured *edge, uint8_t *at);

static inline bool capture_is_empty(const struct capture *capture)
{
    return capture->added == capture->taken;
}

/* Writes the body of `edges` with what fits of the oldest entries, which stay. Returns the place behind
 * it. */
uint8_t *capture_write(struct capture *capture, uint8_t *body);

/* Takes out the entries that were written last, or all those with numbers below `first`. */
void capture_drop_written(struct capture *capture);
void capture_drop_before(struct capture *capture, uint32_t first);
