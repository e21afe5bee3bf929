/* Probes: what light, sound or a TTL signal at the inputs does, with its box time.
 *
 * Edges wait in a ring of their own for their notice. As with the capture, one interrupt may add to it
 * while the main loop takes from it. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board_config.h"
#include "capture_ring.h"
#include "settings.h"

#define PROBE_EDGES_BODY_LONGEST (1 + EDGES_IN_FRAME * EDGE_LENGTH)
#define PROBE_SILENCE_US 20000u /* below its threshold for so long, a sound (or a steady light) is over */

/* Bits of the settings that a board can watch. */
#define PROBES_OF_BOARD \
    ((BOARD_ANALOG_INPUTS > 0 ? PROBES_ANALOG : 0) | (BOARD_DIGITAL_INPUTS > 0 ? PROBES_DIGITAL : 0))

/* An analog input, seen through threshold and hysteresis. */
struct probe_level {
    uint16_t threshold; /* on from here on */
    uint16_t release;   /* off below it */
    uint32_t silence_us;
    bool watched;
    bool known; /* the first level after the start tells its state, and no edge */
    bool on;
    bool fading; /* on, and below `release` since: */
    uint64_t since_us;
};

struct probes {
    struct captured edges[BOARD_PROBE_EDGES];
    volatile uint8_t added; /* counts on without end, as in the capture */
    volatile uint8_t taken;
    volatile uint8_t losing;
#if BOARD_ANALOG_INPUTS > 0
    struct probe_level levels[BOARD_ANALOG_INPUTS];
#endif
};

struct box;

/* The probes of the settings are watched from now on. */
void probes_begin(struct box *box);

/* Whether edges wait to be sent. */
static inline bool probes_wait(const struct probes *probes)
{
    return probes->added != probes->taken;
}

/* Sends one message of edges, if there is room: a marker that comes in waits for no more. Some wait. */
void probes_send(struct box *box);

#if BOARD_ANALOG_INPUTS > 0
/* Whether a level could change what the probe's state is: a port with many samples leaves the others out. */
static inline bool probe_wants(const struct probe_level *probe, uint16_t level)
{
    if (probe->on)
        return level < probe->release || probe->fading;
    return level >= probe->threshold || !probe->known;
}
#endif
