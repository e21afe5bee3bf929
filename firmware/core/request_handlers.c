/* What each request does, one handler each. */
#include "request_handlers.h"

#include <string.h>

#include "box_state.h"
#include "bytes_and_counters.h"
#include "output_engine.h"
#include "markers_ahead.h"
#include "strobe.h"
#include "marker_tags_and_fates.h"
#include "message_output.h"

static const uint8_t *put_sequence(struct box *box)
{
    const struct sequence *sequence = &box->sequence;
    uint8_t *at = bytes_put_u8(send_body(box), sequence->state);
    at = bytes_put_u16(at, sequence->count);
    at = bytes_put_u32(at, sequence->repeats);
    at = bytes_put_u32(at, sequence->played);
    at = bytes_put_u64(at, &sequence->started_us);
    return bytes_put_u64(at, &sequence->ended_us);
}

uint8_t handle_identify(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (body[0] != PROTOCOL_MAJOR)
        return box_refuse(box, REASON_VERSION, PROTOCOL_MAJOR);
    static const uint8_t firmware[3] = FIRMWARE_VERSION;
    uint8_t *at = bytes_put_u8(send_body(box), PROTOCOL_MAJOR);
    at = bytes_put_u8(at, PROTOCOL_MINOR);
    memcpy(at, firmware, sizeof firmware);
    at = bytes_put_u8(at + sizeof firmware, BOARD_KIND);
    board_serial(box->board, at);
    at = bytes_put_u8(at + 8, box->cause);
    at = bytes_put_u8(at, box->newest_tag);
    at = bytes_put_u16(at, BOARD_WINDOW);
    at = bytes_put_u8(at, BOARD_HISTORY);
    at = bytes_put_u8(at, FRAME_LONGEST);
    at = bytes_put_u16(at, BOARD_STEPS);
    at = bytes_put_u16(at, BOARD_EDGES);
    at = bytes_put_u32(at, BOARD_LEAST_WIDTH);
    at = bytes_put_u32(at, LONGEST_TIME);
    memcpy(at, box->settings.name, NAME_LENGTH);
    at = bytes_put_u32(at + NAME_LENGTH, box->session);
    at = bytes_put_u16(at, BOARD_CAPABILITIES);
    at = bytes_put_u8(at, box->last_notice);
    bool ahead = BOARD_CAPABILITIES & CAPABILITY_AHEAD;
    at = bytes_put_u8(at, ahead ? BOARD_PLACES : 0);
    send_unmarked(box, ANSWER_IDENTITY, tag, bytes_put_u16(at, ahead ? BOARD_LEAST_LEAD : 0));
    return REASON_NONE;
}

uint8_t handle_clock(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    send_done_now(box, tag);
    return REASON_NONE;
}

/* Some counters count in interrupts: this reads until two readings agree. */
static uint32_t counted(const volatile uint32_t *counter)
{
    uint32_t value;
    do
        value = *counter;
    while (value != *counter);
    return value;
}

uint8_t handle_counters(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t *at = send_body_now(box);
    for (uint8_t number = 0; number < COUNTERS; number++)
        at = bytes_put_u32(at, counted(&box->counters[number]));
    send_answer(box, ANSWER_COUNTERS, tag, at);
    return REASON_NONE;
}

uint8_t handle_levels(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t *at = send_body_now(box);
    at = bytes_put_u8(at, board_outputs(box->board));
    send_answer(box, ANSWER_LEVELS, tag, bytes_put_u8(at, board_readback(box->board)));
    return REASON_NONE;
}

uint8_t handle_fate(struct box *box, uint8_t tag, const uint8_t *body)
{
    send_answer(box, ANSWER_FATE, tag, fate_write(box, body[0], send_body(box)));
    return REASON_NONE;
}

uint8_t handle_fate_of_number(struct box *box, uint8_t tag, const uint8_t *body)
{
    lines_settle(box); /* or one that is out would seem to wait */
    send_answer(box, ANSWER_FATE, tag, ahead_fate_write(box, bytes_get_u32(body), send_body(box)));
    return REASON_NONE;
}

uint8_t handle_restart(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (body[0] > 1)
        return REASON_VALUE_RANGE;
    if (body[0] == 1 && !(BOARD_CAPABILITIES & CAPABILITY_BOOT_LOADER))
        return REASON_UNSUPPORTED;
    ahead_cancel(box, 0);
    lines_start(box);
    send_done_now(box, tag);
    board_restart(box->board, body[0] == 1);
    return REASON_NONE;
}

uint8_t handle_session(struct box *box, uint8_t tag, const uint8_t *body)
{
    uint32_t number = bytes_get_u32(body);
    if (number == 0)
        return REASON_VALUE_RANGE;
    if (number != box->session) {
        box->session = number;
        tags_begin(box, tag);
        lines_disown(box);
        ahead_cancel(box, 0);
    }
    send_done_now(box, tag);
    return REASON_NONE;
}

/* What is wrong with a code, and with the time for which it is to be out. */
static uint8_t code_fault(struct box *box, uint8_t code)
{
    uint8_t lines = settings_code_lines(&box->settings);
    return code & (uint8_t)~lines ? box_refuse(box, REASON_OUTSIDE_LINES, lines) : REASON_NONE;
}

static uint8_t width_fault(struct box *box, uint8_t code, uint32_t us)
{
    uint32_t least = code == 0 ? BOARD_LEAST_WIDTH : strobe_least_width(&box->settings);
    if (us < least)
        return box_refuse(box, REASON_WIDTH_RANGE, least);
    return us > LONGEST_TIME ? box_refuse(box, REASON_WIDTH_RANGE, LONGEST_TIME) : REASON_NONE;
}

uint8_t marker_read(struct box *box)
{
    const uint8_t *message = box->reader.bytes;
    struct marker *marker = &box->lines.next;
    marker->request = message[0];
    marker->tag = message[1];
    marker->code = message[FRAME_HEAD];
    marker->width_us = 0;
    if (marker->request != REQUEST_SET && marker->code == 0)
        return REASON_VALUE_RANGE;
    if (marker->code & (uint8_t)~settings_code_lines(&box->settings))
        return code_fault(box, marker->code);
    if (marker->request == REQUEST_PULSE)
        marker->width_us = box->settings.width_us;
    if (marker->request != REQUEST_PULSE_FOR)
        return REASON_NONE;
    marker->width_us = bytes_get_u32(message + FRAME_HEAD + 1);
    return width_fault(box, marker->code, marker->width_us);
}

uint8_t handle_put_out(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)tag;
    (void)body;
    uint8_t reason = marker_read(box);
    return reason == REASON_NONE ? lines_marker(box) : reason;
}

uint8_t handle_timed(struct box *box, uint8_t tag, const uint8_t *body)
{
    enum { AT_KIND = 0, AT_CODE = 1, AT_WIDTH = 2, AT_TIME = 6, AT_EXPIRY = 10 };
    uint8_t kind = body[AT_KIND];
    uint32_t width = bytes_get_u32(body + AT_WIDTH);
    uint32_t time = bytes_get_u32(body + AT_TIME);
    uint32_t expiry = bytes_get_u32(body + AT_EXPIRY);
    struct marker *marker = &box->lines.next;
    *marker = (struct marker){.request = REQUEST_TIMED, .tag = tag, .code = body[AT_CODE]};
    if (kind > TIMED_SET)
        return box_refuse(box, REASON_VALUE_RANGE, AT_KIND);
    if (kind == TIMED_PULSE && marker->code == 0)
        return box_refuse(box, REASON_VALUE_RANGE, AT_CODE);
    if (kind == TIMED_SET && width != 0)
        return box_refuse(box, REASON_VALUE_RANGE, AT_WIDTH);
    if ((int32_t)(expiry - time) < 0)
        return box_refuse(box, REASON_VALUE_RANGE, AT_EXPIRY);
    uint8_t fault = code_fault(box, marker->code);
    if (fault == REASON_NONE && kind == TIMED_PULSE) {
        marker->width_us = width == 0 ? box->settings.width_us : width;
        fault = width_fault(box, marker->code, marker->width_us);
    }
    if (fault != REASON_NONE)
        return fault;
    if ((int32_t)(time - (uint32_t)board_time(box->board)) > 0) {
        if (!(BOARD_CAPABILITIES & CAPABILITY_AHEAD))
            return box_refuse(box, REASON_UNSUPPORTED, AT_TIME);
        return ahead_accept(box, time, expiry);
    }
    box->lines.expires = true;
    box->lines.expiry_us = expiry;
    return lines_marker(box);
}

uint8_t handle_cancel(struct box *box, uint8_t tag, const uint8_t *body)
{
    ahead_cancel(box, bytes_get_u32(body));
    send_done_now(box, tag);
    return REASON_NONE;
}

uint8_t handle_sequence_load(struct box *box, uint8_t tag, const uint8_t *body)
{
    struct sequence *sequence = &box->sequence;
    uint16_t index = bytes_get_u16(body);
    uint8_t code = body[2];
    uint32_t hold = bytes_get_u32(body + 3);
    if (index >= BOARD_STEPS)
        return box_refuse(box, REASON_SEQUENCE_FULL, BOARD_STEPS);
    if (index != 0 && index != sequence->count)
        return box_refuse(box, REASON_SEQUENCE_ORDER, sequence->count);
    uint8_t fault = code_fault(box, code);
    if (fault == REASON_NONE)
        fault = width_fault(box, code, hold);
    if (fault != REASON_NONE)
        return fault;
    if (ahead_any(box) || box->lines.state == LINES_PLAYING) /* since the last look at the clock */
        return REASON_LINES_BUSY;
    if (index == 0)
        sequence_empty(sequence);
    sequence_add(sequence, lines_strobed(box, code), hold);
    send_done_now(box, tag);
    return REASON_NONE;
}

/* What is wrong with a sequence that is to start. */
static uint8_t start_fault(struct box *box, uint32_t repeats)
{
    if (box->sequence.count == 0)
        return REASON_SEQUENCE_EMPTY;
    if (repeats > sequence_most_repeats(&box->sequence))
        return box_refuse(box, REASON_SEQUENCE_LONG, sequence_most_repeats(&box->sequence));
    return REASON_NONE;
}

uint8_t handle_sequence_start(struct box *box, uint8_t tag, const uint8_t *body)
{
    uint32_t repeats = bytes_get_u32(body);
    uint8_t fault = start_fault(box, repeats);
    if (fault != REASON_NONE)
        return fault;
    if (!lines_are_idle(box))
        return REASON_LINES_BUSY;
    if (lines_gap_left(box) > 0)
        return box_refuse(box, REASON_LINES_BUSY, lines_gap_left(box));
    lines_play(box, tag, repeats);
    return REASON_NONE;
}

uint8_t handle_sequence_start_at(struct box *box, uint8_t tag, const uint8_t *body)
{
    enum { AT_REPEATS = 0, AT_TIME = 4 };
    uint32_t repeats = bytes_get_u32(body + AT_REPEATS);
    if (!(BOARD_CAPABILITIES & CAPABILITY_START_AT))
        return box_refuse(box, REASON_UNSUPPORTED, AT_TIME);
    uint8_t fault = start_fault(box, repeats);
    if (fault != REASON_NONE)
        return fault;
    box->lines.next = (struct marker){.request = REQUEST_SEQUENCE_START_AT, .tag = tag};
    return ahead_accept_start(box, bytes_get_u32(body + AT_TIME), repeats);
}

uint8_t handle_sequence_state(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    lines_play_on(box);
    send_answer(box, ANSWER_SEQUENCE, tag, put_sequence(box));
    return REASON_NONE;
}

uint8_t handle_sequence_stop(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (box->sequence.state == SEQUENCE_WAITS)
        ahead_cancel(box, 0);
    lines_stop(box);
    return handle_sequence_state(box, tag, body);
}

uint8_t handle_capture_start(struct box *box, uint8_t tag, const uint8_t *body)
{
    struct capture *capture = &box->capture;
    if (body[0] > CAPTURE_SEND)
        return REASON_VALUE_RANGE;
    board_watch(box->board, false);
    capture->on = false; /* nor does a probe add to it */
    capture_empty(capture);
    uint64_t time = board_time(box->board);
    capture_add(capture, &time, false, board_readback(box->board));
    capture->on = true;
    capture->sends = body[0] == CAPTURE_SEND;
    board_watch(box->board, true);
    send_done(box, tag, &time);
    return REASON_NONE;
}

uint8_t handle_capture_fetch(struct box *box, uint8_t tag, const uint8_t *body)
{
    capture_drop_before(&box->capture, bytes_get_u32(body));
    send_answer(box, ANSWER_EDGES, tag, capture_write(&box->capture, send_body(box)));
    return REASON_NONE;
}

uint8_t handle_capture_stop(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    board_watch(box->board, false);
    box->capture.on = false;
    send_done_now(box, tag);
    return REASON_NONE;
}

uint8_t handle_settings_read(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t *at = bytes_put_u8(send_body(box), box->kept.origin);
    at = bytes_put_u32(at, box->kept.count);
    send_answer(box, ANSWER_SETTINGS, tag, settings_write(&box->settings, at));
    return REASON_NONE;
}

/* New settings are in force: the lines go to their idle level, and a sequence that was loaded for the old
 * ones is dropped. */
static void settings_changed(struct box *box, uint8_t tag)
{
    sequence_empty(&box->sequence);
    lines_rest(box);
    probes_begin(box);
    send_done_now(box, tag);
}

uint8_t handle_settings_write(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (!lines_are_idle(box))
        return REASON_LINES_BUSY;
    int8_t wrong = settings_parse(&box->settings, body);
    if (wrong >= 0)
        return box_refuse(box, wrong & SETTINGS_UNSUPPORTED ? REASON_UNSUPPORTED : REASON_VALUE_RANGE,
                          (uint8_t)wrong & (uint8_t)~SETTINGS_UNSUPPORTED);
    settings_changed(box, tag);
    return REASON_NONE;
}

uint8_t handle_settings_factory(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    if (!lines_are_idle(box))
        return REASON_LINES_BUSY;
    settings_factory(&box->settings);
    settings_changed(box, tag);
    return REASON_NONE;
}

uint8_t handle_settings_keep(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    if (!lines_are_idle(box))
        return REASON_LINES_BUSY;
    _Static_assert(sizeof box->wire >= SLOT_LENGTH, "the answer is written behind it");
    if (!settings_keep(box->board, &box->settings, &box->kept, box->wire))
        return REASON_STORE_FAILED;
    send_done_now(box, tag);
    return REASON_NONE;
}
