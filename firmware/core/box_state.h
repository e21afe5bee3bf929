/* All that a box knows. The port owns one of these; the parts of the core share it.
 *
 * Who may change what: `lines` is changed by output_engine.c alone, `history` and `newest_tag` by
 * marker_tags_and_fates.c, `ahead` and its places by markers_ahead.c, `wire` by message_output.c and by
 * whoever writes the body of a message just before it is sent. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "board_config.h"
#include "capture_ring.h"
#include "frame.h"
#include "messages.h"
#include "probes.h"
#include "sequence_steps_and_progress.h"
#include "settings.h"

#ifndef BOARD_BY_POINTER
#define BOARD_BY_POINTER(pointer) /* see board.h */
#endif

#define FIRMWARE_VERSION {0, 1, 0}

enum { /* in the order of the answer `counters`; each stays at its highest value */
    COUNT_FRAMES,
    COUNT_FRAMES_BROKEN,
    COUNT_REFUSED,
    COUNT_MARKERS,
    COUNT_BYTES,
    COUNT_EDGES_LOST,
    COUNT_MESSAGES_LOST,
    COUNT_INPUT_LOST,
    COUNT_NOTICES,
    COUNTERS
};

struct marker {
    uint8_t request; /* its type; 0: a byte of the byte input */
    uint8_t tag;
    uint8_t code;
    uint32_t width_us; /* 0: the code is held */
};

/* What became of a marker request. */
struct fate {
    uint64_t time_us;
    uint32_t lasted_us;
    uint32_t delay_us;
    uint8_t state; /* outcome, reason and note in one byte: see marker_tags_and_fates.c */
    uint8_t code;
    uint8_t tag; /* 0: this place is free */
};

/* The output engine: what the lines do (output_engine.h). */
enum lines_state { LINES_IDLE, LINES_PULSE, LINES_HELD, LINES_WAITING, LINES_PLAYING };

struct lines {
    uint8_t state;
    bool used;             /* a marker was out since the start, so that `idle_since` counts for the gap */
    struct marker marker;  /* the one that is out or waits */
    uint64_t edge_us;         /* box time of its edge; in the future while it waits */
    uint32_t lasted_us;       /* of the pulse that it cut; NO_CUT: of none */
    uint32_t delay_us;        /* of its wait */
    uint8_t notes;            /* enum note */
    uint32_t wait_us;         /* of gap before the marker `next` */
    uint64_t idle_since_us;   /* box time at which the lines last went to idle */
    struct step steps[2][2]; /* of the course that plays, and of the one that will take its place */
    uint8_t turn;

    struct marker next; /* the one that comes, which may be arranged ahead of its time */
    bool expires;       /* it is not to go out after `expiry_us`, the low 32 bits of a box time */
    uint32_t expiry_us;
    struct course course;
    bool ready; /* it is what the frame asks for that is coming in, and nothing has moved the lines since */
};

struct box {
    struct board *board;
    struct settings settings;
    struct settings_kept kept;
    struct lines lines;
    struct sequence sequence;
    struct ahead ahead;
    struct capture capture;
    struct probes probes;
    uint32_t counters[COUNTERS];
    struct fate history[BOARD_HISTORY];
    uint8_t newest_tag;  /* which tags are ahead of; 0: none came since the start */
    uint8_t last_notice; /* number of the newest notice */
    uint32_t session;    /* of the host that has the box; 0: none since the start */
    uint8_t cause;
    /* box time of the last edge that was asked for, or at which the state of the lines was updated */
    uint64_t now_us;
    uint64_t heard_us; /* box time of the last sign of life from the host */
    uint32_t detail; /* of the refusal that is on its way back */
    struct frame_reader reader;
    /* length of the frame that comes in, up to its CRC, if one can get ready for it; otherwise 0 */
    uint8_t body_end;
    uint8_t wire[WIRE_LONGEST]; /* the message that is being written */
};
