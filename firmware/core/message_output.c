/* Messages to the host, built in the box's one buffer. */
#include "message_output.h"

#include "bytes_and_counters.h"

static void send(struct box *box, uint8_t type, uint8_t tag, const uint8_t *end, uint16_t room)
{
    uint8_t length = (uint8_t)(end - (box->wire + 1));
    if (room < length + 4u) {
        counter_add(&box->counters[COUNT_MESSAGES_LOST]);
        return;
    }
    box->wire[1] = type;
    box->wire[2] = tag;
    uint8_t count = frame_close(box->wire, length);
    board_send(box->board, box->wire, count);
}

/* A start ends the session, so a host that has begun one sees by any message that the box has started. */
static uint8_t with_session(const struct box *box, uint8_t type)
{
    return box->session ? type | MESSAGE_IN_SESSION : type;
}

void send_unmarked(struct box *box, uint8_t type, uint8_t tag, const uint8_t *end)
{
    send(box, type, tag, end, board_send_room(box->board));
}

void send_answer(struct box *box, uint8_t type, uint8_t tag, const uint8_t *end)
{
    send_unmarked(box, with_session(box, type), tag, end);
}

uint8_t *send_body_now(struct box *box)
{
    uint64_t now = board_time(box->board);
    return bytes_put_u64(send_body(box), &now);
}

void send_done_now(struct box *box, uint8_t tag)
{
    send_answer(box, ANSWER_DONE, tag, send_body_now(box));
}

void send_done(struct box *box, uint8_t tag, const uint64_t *time)
{
    send_answer(box, ANSWER_DONE, tag, bytes_put_u64(send_body(box), time));
}

uint8_t box_refuse(struct box *box, uint8_t reason, uint32_t detail)
{
    box->detail = detail;
    return reason;
}

void send_refused(struct box *box, uint8_t request, uint8_t tag, uint8_t reason)
{
    counter_add(&box->counters[COUNT_REFUSED]);
    uint8_t *at = bytes_put_u8(send_body(box), request);
    at = bytes_put_u32(bytes_put_u8(at, reason), box->detail);
    if (reason == REASON_VERSION) /* the same in all versions */
        send_unmarked(box, ANSWER_REFUSED, tag, at);
    else
        send_answer(box, ANSWER_REFUSED, tag, at);
}

static uint16_t notice_room(const struct box *box)
{
    uint16_t room = board_send_room(box->board);
    return room > BOARD_SEND_RESERVE ? (uint16_t)(room - BOARD_SEND_RESERVE) : 0;
}

bool send_has_room(const struct box *box, uint8_t body_length)
{
    return notice_room(box) >= body_length + 6u;
}

/* One that is dropped has its number too, so that the host sees that it is missing. */
static uint8_t number_of_notice(struct box *box)
{
    counter_add(&box->counters[COUNT_NOTICES]);
    if (++box->last_notice == 0)
        box->last_notice = 1;
    return box->last_notice;
}

void send_notice(struct box *box, uint8_t type, const uint8_t *end)
{
    send(box, with_session(box, type), number_of_notice(box), end, notice_room(box));
}

#ifdef BOARD_LETS_MARKERS_IN
void slow_notice_begin(struct box *box, struct slow_notice *notice, uint8_t type, uint8_t body_length)
{
    notice->wire[1] = with_session(box, type);
    notice->wire[2] = number_of_notice(box);
    notice->place = board_send_reserve(box->board, body_length + 6);
    let_markers_in(true);
}

void slow_notice_end(struct box *box, struct slow_notice *notice, const uint8_t *end)
{
    uint8_t count = frame_close(notice->wire, (uint8_t)(end - (notice->wire + 1)));
    board_send_fill(box->board, notice->place, notice->wire, count);
    let_markers_in(false);
}
#endif
