/* Markers: their history, and what is reported of them. */
#include "marker_history.h"

#include "box_state.h"
#include "byte_order.h"
#include "message_output.h"

_Static_assert((BOARD_HISTORY & (BOARD_HISTORY - 1)) == 0 && BOARD_HISTORY <= 64,
               "a tag's place is its low bits, and has other tags too");
_Static_assert(BOARD_WINDOW / 7 < BOARD_HISTORY, "markers that are on their way have places of their own");

struct fate *fate_of(struct box *box, uint8_t tag)
{
    return &box->history[tag % BOARD_HISTORY];
}

bool fate_is_known(struct box *box, uint8_t tag)
{
    return fate_of(box, tag)->tag == tag;
}

void fate_forget(struct box *box, uint8_t tag)
{
    struct fate *fate = fate_of(box, tag);
    if (fate->tag != tag)
        fate->tag = 0;
}

/* `waited`: for its gap, so that it is no newer now than it was, though another may have its place by now. */
static void remember(struct box *box, const struct marker *marker, uint8_t outcome, uint8_t reason,
                     const uint64_t *time, bool waited)
{
    struct fate *fate = fate_of(box, marker->tag);
    if (!waited)
        box->last_tag = marker->tag;
    fate->tag = marker->tag;
    fate->outcome = outcome;
    fate->code = marker->code;
    fate->reason = reason;
    fate->time_us = *time;
}

static void notice_byte(struct box *box, uint8_t byte, uint8_t reason, const uint64_t *time, uint32_t lasted,
                        uint32_t delay)
{
    uint8_t *at = bytes_put_u64(send_body(box), *time);
    at = bytes_put_u8(at, byte);
    at = bytes_put_u8(at, reason);
    at = bytes_put_u32(at, lasted);
    send_notice(box, NOTICE_BYTE_MARKER, bytes_put_u32(at, delay));
}

void marker_waits(struct box *box, const struct marker *marker)
{
    static uint64_t never; /* 0; see fate() in request_dispatch.c */
    if (marker->request != 0)
        remember(box, marker, FATE_WAITING, REASON_NONE, &never, false);
}

void marker_done(struct box *box)
{
    const struct lines *lines = &box->lines;
    const struct marker *marker = &lines->marker;
    counter_add(&box->counters[COUNT_MARKERS]);
    if (marker->request == 0) {
        notice_byte(box, marker->code, REASON_NONE, &lines->edge_us, lines->lasted_us, lines->delay_us);
        return;
    }
    remember(box, marker, FATE_DONE, REASON_NONE, &lines->edge_us, lines->delay_us > 0);
    uint8_t *at = bytes_put_u64(send_body(box), lines->edge_us);
    if (lines->lasted_us == NO_CUT && lines->delay_us == 0) {
        send_answer(box, ANSWER_DONE, marker->tag, at);
        return;
    }
    at = bytes_put_u32(at, lines->lasted_us);
    send_answer(box, ANSWER_DONE_NOTED, marker->tag, bytes_put_u32(at, lines->delay_us));
}

void marker_refused(struct box *box, const struct marker *marker, uint8_t reason)
{
    uint64_t now = board_time(box->board);
    if (marker->request == 0) {
        notice_byte(box, marker->code, reason, &now, reason == REASON_CANCELLED ? box->detail : NO_CUT, 0);
        return;
    }
    remember(box, marker, FATE_REFUSED, reason, &now, reason == REASON_CANCELLED);
    send_refused(box, marker->request, marker->tag, reason);
}
