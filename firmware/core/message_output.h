/* Messages to the host, and the reason of a refusal on its way into one. */
#pragma once

#include "box_state.h"
#include "bytes_and_counters.h"

/* A function that may refuse returns the reason (enum reason), REASON_NONE where it did what it was asked
 * for. A reason with a detail is returned through box_refuse(), which leaves the detail for the answer. */
OUT_OF_LINE uint8_t box_refuse(struct box *box, uint8_t reason, uint32_t detail);

/* A message is written into the box's one buffer: body fields at send_body(), then sent. */
static inline uint8_t *send_body(struct box *box)
{
    return box->wire + 3;
}

/* A body that begins with the time. */
OUT_OF_LINE uint8_t *send_body_now(struct box *box);

/* Sends the answer whose body ends before `end`; it is dropped and counted if there is no room for it. */
void send_answer(struct box *box, uint8_t type, uint8_t tag, const uint8_t *end);
/* The same without MESSAGE_IN_SESSION, for what is the same in all versions. */
void send_unmarked(struct box *box, uint8_t type, uint8_t tag, const uint8_t *end);
void send_done(struct box *box, uint8_t tag, const uint64_t *time);
void send_done_now(struct box *box, uint8_t tag);

void send_refused(struct box *box, uint8_t request, uint8_t tag, uint8_t reason);

/* Notices leave BOARD_SEND_RESERVE bytes of room to the answers. */
bool send_has_room(const struct box *box, uint8_t body_length);
void send_notice(struct box *box, uint8_t type, const uint8_t *end);

#ifdef BOARD_LETS_MARKERS_IN
/* A notice that is written while markers come in. It has its number and its place among all that is sent from
 * its beginning on; there has to be room. The body is written from `wire + 3` on. */
struct slow_notice {
    uint16_t place;
    uint8_t wire[WIRE_LONGEST];
};
void slow_notice_begin(struct box *box, struct slow_notice *notice, uint8_t type, uint8_t body_length);
void slow_notice_end(struct box *box, struct slow_notice *notice, const uint8_t *end);
#endif
