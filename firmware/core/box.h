/* All that a box knows. The port owns one of these; the parts of the core share it. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "board_config.h"
#include "bytes.h"
#include "capture.h"
#include "frame.h"
#include "lines.h"
#include "markers.h"
#include "messages.h"
#include "sequence.h"
#include "settings.h"

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
    COUNTERS
};

struct box {
    struct board *board;
    struct settings settings;
    struct settings_kept kept;
    struct lines lines;
    struct sequence sequence;
    struct capture capture;
    uint32_t counters[COUNTERS];
    struct fate history[BOARD_HISTORY];
    uint8_t last_tag; /* of the newest marker request; 0: none */
    uint8_t cause;
    uint64_t now;   /* box time of the last edge that was asked for, or at which the books of the lines were looked at */
    uint64_t heard; /* box time of the last sign of life from the host */
    uint32_t detail; /* of the refusal that is on its way back */
    struct frame_reader reader;
    uint8_t body_end; /* length of the frame that comes in, up to its CRC, if one can get ready for it; otherwise 0 */
    uint8_t wire[WIRE_LONGEST]; /* the message that is being written */
};

void count_lost(uint32_t *counter, uint16_t by);

/* A function that may refuse returns the reason (enum reason), REASON_NONE where it did what it was asked for. A reason with
 * a detail is returned through refuse(), which leaves the detail for the answer. */
uint8_t refuse(struct box *box, uint8_t reason, uint32_t detail);

/* Messages out (send.c). A message is written into the box's one buffer: body fields at message_body(), then sent. */
static inline uint8_t *message_body(struct box *box)
{
    return box->wire + 3;
}

/* Sends the answer whose body ends before `end`; it is dropped and counted if there is no room for it. */
void send_answer(struct box *box, uint8_t type, uint8_t tag, const uint8_t *end);
void send_done(struct box *box, uint8_t tag, uint64_t time);
void send_refused(struct box *box, uint8_t request, uint8_t tag, uint8_t reason);

/* Notices leave BOARD_SEND_RESERVE bytes of room to the answers. */
bool notice_has_room(const struct box *box, uint8_t body_length);
void send_notice(struct box *box, uint8_t type, const uint8_t *end);


/* Carries out the request that the reader holds, or refuses it (requests.c). */
OUT_OF_LINE void request_handle(struct box *box);

/* So that a marker's edge comes soon after its frame, what can be done ahead is done while the end of the frame is still on
 * the wire: the length at which that is, 0 for requests that have to wait; and the getting ready. */
OUT_OF_LINE uint8_t request_body_end(uint8_t type);
OUT_OF_LINE void request_get_ready(struct box *box);
