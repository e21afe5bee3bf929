/* All that a box knows. The port owns one of these; the parts of the core share it. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "board_config.h"
#include "capture.h"
#include "frame.h"
#include "lines.h"
#include "markers.h"
#include "messages.h"
#include "sequence.h"
#include "settings.h"

#define FIRMWARE_VERSION {0, 1, 0}

struct counters { /* each stays at its highest value */
    uint32_t frames;
    uint32_t frames_broken;
    uint32_t refused;
    uint32_t markers;
    uint32_t bytes;
    uint32_t edges_lost;
    uint32_t messages_lost;
    uint32_t input_lost;
};

struct box {
    struct board *board;
    struct settings settings;
    struct settings_kept kept;
    struct lines lines;
    struct sequence sequence;
    struct capture capture;
    struct counters counters;
    struct fate history[BOARD_HISTORY];
    uint8_t last_tag; /* of the newest marker request in the history; 0: none */
    uint8_t cause;
    uint64_t heard; /* box time of the last sign of life from the host */
    struct frame_reader reader;
    uint8_t wire[WIRE_LONGEST]; /* the message that is being written */
};

static inline void count_up(uint32_t *counter, uint32_t by)
{
    *counter = UINT32_MAX - *counter < by ? UINT32_MAX : *counter + by;
}

/* Why a request was not carried out; reason REASON_NONE where it was. */
struct refusal {
    uint8_t reason;
    uint32_t detail;
};

#define ACCEPTED ((struct refusal){REASON_NONE, 0})

/* Messages out (send.c). A message is written into the box's one buffer: body fields at message_body(), then sent. */
static inline uint8_t *message_body(struct box *box)
{
    return box->wire + 3;
}

/* Sends the answer whose body ends before `end`; it is dropped and counted if there is no room for it. */
void send_answer(struct box *box, uint8_t type, uint8_t tag, const uint8_t *end);
void send_done(struct box *box, uint8_t tag, uint64_t time);
void send_refused(struct box *box, uint8_t request, uint8_t tag, struct refusal refusal);

/* Notices leave BOARD_SEND_RESERVE bytes of room to the answers. */
bool notice_has_room(const struct box *box, uint8_t body_length);
void send_notice(struct box *box, uint8_t type, const uint8_t *end);


/* Carries out the request that the reader holds, or refuses it (requests.c). */
void request_handle(struct box *box);
