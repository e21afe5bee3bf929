#include "box.h"

#include <string.h>

#include "bytes.h"

void box_start(struct box *box, struct board *board, enum box_cause cause)
{
    memset(box, 0, sizeof *box);
    box->board = board;
    box->cause = (uint8_t)cause;
    settings_load(board, &box->settings, &box->kept);
    sequence_empty(&box->sequence);
    lines_start(box);

    uint8_t *at = put_u8(message_body(box), PROTOCOL_MAJOR);
    at = put_u8(at, PROTOCOL_MINOR);
    send_notice(box, NOTICE_STARTED, put_u8(at, box->cause));
}

/* Sends captured edges while there are any and room for them; what has no room waits in the capture. */
static void send_edges(struct box *box)
{
    while (!capture_is_empty(&box->capture) && notice_has_room(box, 1 + EDGES_IN_FRAME * 9)) {
        uint8_t lost;
        const uint8_t *end = capture_take(&box->capture, message_body(box), &lost);
        count_up(&box->counters.edges_lost, lost);
        send_notice(box, NOTICE_EDGES, end);
    }
}

void box_poll(struct box *box)
{
    lines_poll(box);
    if (box->capture.sends)
        send_edges(box);
}

/* The time is read after the work, not before: it is needed for the hold limit only, and a marker doesn't wait for it. */
static void host_is_alive(struct box *box)
{
    if (box->settings.hold_limit > 0)
        box->heard = board_time(box->board);
}

void box_receive(struct box *box, uint8_t byte)
{
    switch (frame_read(&box->reader, byte)) {
    case FRAME_GOOD:
        count_up(&box->counters.frames, 1);
        request_handle(box);
        host_is_alive(box);
        break;
    case FRAME_BROKEN:
        count_up(&box->counters.frames_broken, 1);
        break;
    case FRAME_GOES_ON:
        break;
    }
}

void box_byte(struct box *box, uint8_t byte)
{
    count_up(&box->counters.bytes, 1);
    uint8_t mode = box->settings.byte_mode;
    struct marker marker = {.code = byte, .width = mode == BYTES_PULSE ? box->settings.width : 0};
    struct refusal refusal;
    if (mode == BYTES_OFF)
        refusal = (struct refusal){REASON_BYTES_OFF, 0};
    else if (mode == BYTES_PULSE && byte == 0)
        refusal = (struct refusal){REASON_NO_MARKER, 0};
    else
        refusal = lines_marker(box, &marker);
    if (refusal.reason != REASON_NONE)
        marker_refused(box, &marker, &refusal);
    host_is_alive(box);
}

void box_lost(struct box *box, uint16_t count)
{
    count_up(&box->counters.input_lost, count);
}

void box_captured(struct box *box, uint64_t time, uint8_t levels)
{
    capture_add(&box->capture, time, levels);
}
