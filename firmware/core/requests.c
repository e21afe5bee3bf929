/* What a host can ask for. One row of the table declares a request; the functions above it carry them out. */
#include "box.h"
#include "bytes.h"

#include <string.h>

static const uint8_t *put_sequence(struct box *box)
{
    const struct sequence *sequence = &box->sequence;
    uint8_t *at = put_u8(message_body(box), sequence->state);
    at = put_u16(at, sequence->count);
    at = put_u32(at, sequence->repeats);
    at = put_u32(at, sequence_played(sequence, board_time(box->board)));
    at = put_u64(at, sequence->started);
    return put_u64(at, sequence->ended);
}

static void send_done_now(struct box *box, uint8_t tag)
{
    send_done(box, tag, board_time(box->board));
}

static struct refusal identify(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (body[0] != PROTOCOL_MAJOR)
        return (struct refusal){REASON_VERSION, PROTOCOL_MAJOR};
    static const uint8_t firmware[3] = FIRMWARE_VERSION;
    uint8_t *at = put_u8(message_body(box), PROTOCOL_MAJOR);
    at = put_u8(at, PROTOCOL_MINOR);
    memcpy(at, firmware, sizeof firmware);
    at = put_u8(at + sizeof firmware, BOARD_KIND);
    board_serial(box->board, at);
    at = put_u8(at + 8, box->cause);
    at = put_u8(at, box->last_tag);
    at = put_u16(at, BOARD_WINDOW);
    at = put_u8(at, BOARD_HISTORY);
    at = put_u8(at, FRAME_LONGEST);
    at = put_u16(at, BOARD_STEPS);
    at = put_u16(at, BOARD_EDGES);
    at = put_u32(at, BOARD_LEAST_WIDTH);
    at = put_u32(at, LONGEST_TIME);
    memcpy(at, box->settings.name, NAME_LENGTH);
    send_answer(box, ANSWER_IDENTITY, tag, at + NAME_LENGTH);
    return ACCEPTED;
}

static struct refusal clock_now(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    send_done_now(box, tag);
    return ACCEPTED;
}

static struct refusal counters(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    const struct counters *counters = &box->counters;
    uint8_t *at = put_u64(message_body(box), board_time(box->board));
    at = put_u32(at, counters->frames);
    at = put_u32(at, counters->frames_broken);
    at = put_u32(at, counters->refused);
    at = put_u32(at, counters->markers);
    at = put_u32(at, counters->bytes);
    at = put_u32(at, counters->edges_lost);
    at = put_u32(at, counters->messages_lost);
    send_answer(box, ANSWER_COUNTERS, tag, put_u32(at, counters->input_lost));
    return ACCEPTED;
}

static struct refusal levels(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t *at = put_u64(message_body(box), board_time(box->board));
    at = put_u8(at, board_outputs(box->board));
    send_answer(box, ANSWER_LEVELS, tag, put_u8(at, board_readback(box->board)));
    return ACCEPTED;
}

static struct refusal fate(struct box *box, uint8_t tag, const uint8_t *body)
{
    static const struct fate unknown = {.outcome = FATE_UNKNOWN};
    uint8_t asked = body[0];
    const struct fate *fate = asked != 0 && fate_is_known(box, asked) ? fate_of(box, asked) : &unknown;
    uint8_t *at = put_u8(message_body(box), asked);
    at = put_u8(at, fate->outcome);
    at = put_u8(at, fate->code);
    at = put_u8(at, fate->reason);
    send_answer(box, ANSWER_FATE, tag, put_u64(at, fate->time));
    return ACCEPTED;
}

static struct refusal restart(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (body[0] > 1)
        return (struct refusal){REASON_VALUE_RANGE, 0};
    if (body[0] == 1 && !BOARD_BOOT_LOADER)
        return (struct refusal){REASON_UNSUPPORTED, 0};
    lines_start(box);
    send_done_now(box, tag);
    board_restart(box->board, body[0] == 1);
    return ACCEPTED;
}

static struct refusal pulse(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (body[0] == 0)
        return (struct refusal){REASON_VALUE_RANGE, 0};
    return lines_marker(box, &(struct marker){REQUEST_PULSE, tag, body[0], box->settings.width});
}

/* The limit that a width or a hold time passes, or 0. */
static uint32_t limit_passed(uint32_t us)
{
    if (us < BOARD_LEAST_WIDTH)
        return BOARD_LEAST_WIDTH;
    return us > LONGEST_TIME ? LONGEST_TIME : 0;
}

static struct refusal pulse_for(struct box *box, uint8_t tag, const uint8_t *body)
{
    uint32_t width = get_u32(body + 1);
    if (body[0] == 0)
        return (struct refusal){REASON_VALUE_RANGE, 0};
    if (body[0] & ~box->settings.lines)
        return (struct refusal){REASON_OUTSIDE_LINES, box->settings.lines};
    if (limit_passed(width))
        return (struct refusal){REASON_WIDTH_RANGE, limit_passed(width)};
    return lines_marker(box, &(struct marker){REQUEST_PULSE_FOR, tag, body[0], width});
}

static struct refusal set(struct box *box, uint8_t tag, const uint8_t *body)
{
    return lines_marker(box, &(struct marker){REQUEST_SET, tag, body[0], 0});
}

static struct refusal sequence_load(struct box *box, uint8_t tag, const uint8_t *body)
{
    struct sequence *sequence = &box->sequence;
    uint16_t index = get_u16(body);
    uint8_t code = body[2];
    uint32_t hold = get_u32(body + 3);
    if (index >= BOARD_STEPS)
        return (struct refusal){REASON_SEQUENCE_FULL, BOARD_STEPS};
    if (index != 0 && index != sequence->count)
        return (struct refusal){REASON_SEQUENCE_ORDER, sequence->count};
    if (code & ~box->settings.lines)
        return (struct refusal){REASON_OUTSIDE_LINES, box->settings.lines};
    if (limit_passed(hold))
        return (struct refusal){REASON_WIDTH_RANGE, limit_passed(hold)};
    if (index == 0)
        sequence_empty(sequence);
    sequence_add(sequence, lines_levels(box, code), hold);
    send_done_now(box, tag);
    return ACCEPTED;
}

static struct refusal sequence_start(struct box *box, uint8_t tag, const uint8_t *body)
{
    uint32_t repeats = get_u32(body);
    if (box->sequence.count == 0)
        return (struct refusal){REASON_SEQUENCE_EMPTY, 0};
    if (repeats > sequence_most_repeats(&box->sequence))
        return (struct refusal){REASON_SEQUENCE_LONG, sequence_most_repeats(&box->sequence)};
    if (!lines_are_ready(box))
        return (struct refusal){REASON_LINES_BUSY, 0};
    uint64_t time = lines_play(box, repeats);
    marker_done(box, &(struct marker){REQUEST_SEQUENCE_START, tag, 0, 0}, time, NO_CUT, 0);
    return ACCEPTED;
}

static struct refusal sequence_state(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    lines_play_on(box);
    send_answer(box, ANSWER_SEQUENCE, tag, put_sequence(box));
    return ACCEPTED;
}

static struct refusal sequence_stop(struct box *box, uint8_t tag, const uint8_t *body)
{
    lines_stop(box);
    return sequence_state(box, tag, body);
}

static struct refusal capture_start(struct box *box, uint8_t tag, const uint8_t *body)
{
    struct capture *capture = &box->capture;
    if (body[0] > CAPTURE_SEND)
        return (struct refusal){REASON_VALUE_RANGE, 0};
    board_watch(box->board, false);
    capture_empty(capture);
    uint64_t time = board_time(box->board);
    capture_add(capture, time, board_readback(box->board));
    capture->on = true;
    capture->sends = body[0] == CAPTURE_SEND;
    board_watch(box->board, true);
    send_done(box, tag, time);
    return ACCEPTED;
}

static struct refusal capture_fetch(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t lost;
    const uint8_t *end = capture_take(&box->capture, message_body(box), &lost);
    count_up(&box->counters.edges_lost, lost);
    send_answer(box, ANSWER_EDGES, tag, end);
    return ACCEPTED;
}

static struct refusal capture_stop(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    board_watch(box->board, false);
    box->capture.on = false;
    send_done_now(box, tag);
    return ACCEPTED;
}

static struct refusal settings_read(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t *at = put_u8(message_body(box), box->kept.origin);
    at = put_u32(at, box->kept.count);
    send_answer(box, ANSWER_SETTINGS, tag, settings_write(&box->settings, at));
    return ACCEPTED;
}

/* New settings are in force: the lines go to their idle level, and a sequence that was loaded for the old ones is dropped. */
static void settings_changed(struct box *box, uint8_t tag)
{
    sequence_empty(&box->sequence);
    lines_rest(box);
    send_done_now(box, tag);
}

static struct refusal settings_replace(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (!lines_are_idle(box))
        return (struct refusal){REASON_LINES_BUSY, 0};
    int8_t wrong = settings_parse(&box->settings, body);
    if (wrong >= 0)
        return (struct refusal){REASON_VALUE_RANGE, (uint32_t)wrong};
    settings_changed(box, tag);
    return ACCEPTED;
}

static struct refusal settings_to_factory(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    if (!lines_are_idle(box))
        return (struct refusal){REASON_LINES_BUSY, 0};
    settings_factory(&box->settings);
    settings_changed(box, tag);
    return ACCEPTED;
}

static struct refusal settings_to_store(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    if (!lines_are_idle(box))
        return (struct refusal){REASON_LINES_BUSY, 0};
    if (!settings_keep(box->board, &box->settings, &box->kept))
        return (struct refusal){REASON_STORE_FAILED, 0};
    send_done_now(box, tag);
    return ACCEPTED;
}

enum { /* flags of a row */
    PLAYS_ON = 1, /* allowed while a sequence plays */
    MARKER = 2    /* its tag goes through the history */
};

/*      request           body             flags     handler */
#define REQUESTS(ROW) \
    ROW(IDENTIFY,         2,               PLAYS_ON, identify) \
    ROW(CLOCK,            0,               PLAYS_ON, clock_now) \
    ROW(COUNTERS,         0,               PLAYS_ON, counters) \
    ROW(LEVELS,           0,               PLAYS_ON, levels) \
    ROW(FATE,             1,               PLAYS_ON, fate) \
    ROW(RESTART,          1,               PLAYS_ON, restart) \
    ROW(PULSE,            1,               MARKER,   pulse) \
    ROW(PULSE_FOR,        5,               MARKER,   pulse_for) \
    ROW(SET,              1,               MARKER,   set) \
    ROW(SEQUENCE_LOAD,    7,               0,        sequence_load) \
    ROW(SEQUENCE_START,   4,               MARKER,   sequence_start) \
    ROW(SEQUENCE_STOP,    0,               PLAYS_ON, sequence_stop) \
    ROW(SEQUENCE_STATE,   0,               PLAYS_ON, sequence_state) \
    ROW(CAPTURE_START,    1,               PLAYS_ON, capture_start) \
    ROW(CAPTURE_FETCH,    0,               PLAYS_ON, capture_fetch) \
    ROW(CAPTURE_STOP,     0,               PLAYS_ON, capture_stop) \
    ROW(SETTINGS_READ,    0,               PLAYS_ON, settings_read) \
    ROW(SETTINGS_WRITE,   SETTINGS_LENGTH, 0,        settings_replace) \
    ROW(SETTINGS_KEEP,    0,               0,        settings_to_store) \
    ROW(SETTINGS_FACTORY, 0,               0,        settings_to_factory)

/* The code of a marker request, for the history. */
static uint8_t marker_code(uint8_t type, const uint8_t *body)
{
    return type == REQUEST_SEQUENCE_START ? 0 : body[0];
}

/* The rows become code, not data: on an AVR constant tables would take up RAM. */
static bool look_up(uint8_t type, uint8_t *length, uint8_t *flags)
{
    switch (type) {
#define ROW(request, body, flag, handler) \
    case REQUEST_##request:               \
        *length = body;                   \
        *flags = flag;                    \
        return true;
        REQUESTS(ROW)
#undef ROW
    default:
        return false;
    }
}

static struct refusal carry_out(struct box *box, uint8_t type, uint8_t tag, const uint8_t *body)
{
    switch (type) {
#define ROW(request, length, flags, handler) \
    case REQUEST_##request:                  \
        return handler(box, tag, body);
        REQUESTS(ROW)
#undef ROW
    default:
        return (struct refusal){REASON_UNKNOWN_REQUEST, 0};
    }
}

void request_handle(struct box *box)
{
    uint8_t type = box->reader.bytes[0];
    uint8_t tag = box->reader.bytes[1];
    const uint8_t *body = box->reader.bytes + 2;
    uint8_t length = 0;
    uint8_t flags = 0;
    struct refusal refusal = ACCEPTED;

    if (!look_up(type, &length, &flags))
        refusal = (struct refusal){REASON_UNKNOWN_REQUEST, 0};
    else if (box->reader.length != length + 4)
        refusal = (struct refusal){REASON_WRONG_LENGTH, length};
    else if (tag == 0)
        refusal = (struct refusal){REASON_TAG_ZERO, 0};
    else if ((flags & MARKER) && fate_is_known(box, tag))
        refusal = (struct refusal){REASON_TAG_REPEATED, 0};
    if (refusal.reason != REASON_NONE) {
        send_refused(box, type, tag, refusal);
        return;
    }

    if (!(flags & PLAYS_ON) && lines_play_on(box))
        refusal = (struct refusal){REASON_PLAYING, 0};
    else
        refusal = carry_out(box, type, tag, body);
    if (refusal.reason == REASON_NONE)
        return;
    if (flags & MARKER)
        marker_refused(box, &(struct marker){.request = type, .tag = tag, .code = marker_code(type, body)}, &refusal);
    else
        send_refused(box, type, tag, refusal);
}
