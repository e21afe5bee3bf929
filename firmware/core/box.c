/* What a port calls: each byte that came in, and what happens by the clock. */
#include "box_state.h"

#include <string.h>

#include "bytes_and_counters.h"
#include "output_engine.h"
#include "marker_tags_and_fates.h"
#include "request_dispatch.h"
#include "message_output.h"

void box_start(struct box *box, struct board *board, enum box_cause cause)
{
    memset(box, 0, sizeof *box);
    box->board = board;
    box->cause = (uint8_t)cause;
    settings_load(board, &box->settings, &box->kept);
    sequence_empty(&box->sequence);
    lines_start(box);
    probes_begin(box);

    uint8_t *at = bytes_put_u8(send_body(box), PROTOCOL_MAJOR);
    at = bytes_put_u8(at, PROTOCOL_MINOR);
    send_notice(box, NOTICE_STARTED, bytes_put_u8(at, box->cause));
}

/* Sends captured edges while there are any and room for them; what has no room waits in the capture. */
static void send_edges(struct box *box)
{
    while (!capture_is_empty(&box->capture) && send_has_room(box, EDGES_BODY_LONGEST)) {
        const uint8_t *end = capture_write(&box->capture, send_body(box));
        send_notice(box, NOTICE_EDGES, end);
        capture_drop_written(&box->capture);
    }
}

void box_poll(struct box *box)
{
    lines_poll(box);
    if (probes_wait(&box->probes))
        probes_send(box);
    if (box->capture.sends)
        send_edges(box);
}

/* The time is read after the work, not before: it is needed for the hold limit only, and a marker doesn't
 * wait for it. */
static void host_is_alive(struct box *box)
{
    if (box->settings.hold_limit_us > 0)
        box->heard_us = board_time(box->board);
}

void box_receive(struct box *box, uint8_t byte)
{
    switch (frame_read(&box->reader, byte)) {
    case FRAME_GOES_ON: /* while the CRC and the closing zero are on the wire, there is time to get ready */
        if (box->reader.length == 1) {
            box->lines.ready = false;
            box->body_end = request_body_end(box->reader.bytes[0]);
        } else if (box->reader.length == box->body_end) {
            request_get_ready(box);
        }
        return;
    case FRAME_GOOD:
        if (box->lines.ready && box->reader.length == box->body_end + FRAME_CRC) {
            lines_go(box);
            counter_add(&box->counters[COUNT_FRAMES]);
        } else {
            request_handle(box);
        }
        host_is_alive(box);
        break;
    case FRAME_BROKEN:
        counter_add(&box->counters[COUNT_FRAMES_BROKEN]);
        break;
    }
}

void box_byte(struct box *box, uint8_t byte)
{
    counter_add(&box->counters[COUNT_BYTES]);
    uint8_t mode = box->settings.byte_mode;
    box->lines.next = (struct marker){
        .code = byte, .width_us = mode == BYTES_SET || byte == 0 ? 0 : box->settings.width_us};
    uint8_t reason;
    if (mode == BYTES_OFF)
        reason = REASON_BYTES_OFF;
    else if (mode == BYTES_PULSE && byte == 0)
        reason = REASON_NO_MARKER;
    else if (byte & (uint8_t)~settings_code_lines(&box->settings))
        reason = REASON_OUTSIDE_LINES;
    else
        reason = lines_marker(box);
    if (reason != REASON_NONE)
        marker_refused(box, &box->lines.next, reason);
    box->lines.ready = false; /* what was arranged for a frame that is still coming in is gone */
    host_is_alive(box);
}

void box_lost(struct box *box, uint16_t count)
{
    counter_add_many(&box->counters[COUNT_INPUT_LOST], count);
}

void box_unsent(struct box *box, uint16_t count)
{
    counter_add_many(&box->counters[COUNT_MESSAGES_LOST], count);
}

void box_captured(struct box *box, uint64_t time, uint8_t levels)
{
    if (!capture_add(&box->capture, &time, false, levels))
        counter_add(&box->counters[COUNT_EDGES_LOST]);
}
