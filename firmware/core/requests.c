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
    at = put_u32(at, sequence->played);
    at = put_u64(at, sequence->started);
    return put_u64(at, sequence->ended);
}

static void send_done_now(struct box *box, uint8_t tag)
{
    send_done(box, tag, board_time(box->board));
}

static uint8_t identify(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (body[0] != PROTOCOL_MAJOR)
        return refuse(box, REASON_VERSION, PROTOCOL_MAJOR);
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
    return REASON_NONE;
}

static uint8_t clock_now(struct box *box, uint8_t tag, const uint8_t *body)
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

static uint8_t counters(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t *at = put_u64(message_body(box), board_time(box->board));
    for (uint8_t number = 0; number < COUNTERS; number++)
        at = put_u32(at, counted(&box->counters[number]));
    send_answer(box, ANSWER_COUNTERS, tag, at);
    return REASON_NONE;
}

static uint8_t levels(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t *at = put_u64(message_body(box), board_time(box->board));
    at = put_u8(at, board_outputs(box->board));
    send_answer(box, ANSWER_LEVELS, tag, put_u8(at, board_readback(box->board)));
    return REASON_NONE;
}

static uint8_t fate(struct box *box, uint8_t tag, const uint8_t *body)
{
    static struct fate unknown; /* all zero; not const, because small chips would keep the zeros in their flash too */
    uint8_t asked = body[0];
    const struct fate *fate = asked != 0 && fate_is_known(box, asked) ? fate_of(box, asked) : &unknown;
    uint8_t *at = put_u8(message_body(box), asked);
    at = put_u8(at, fate->outcome);
    at = put_u8(at, fate->code);
    at = put_u8(at, fate->reason);
    send_answer(box, ANSWER_FATE, tag, put_u64(at, fate->time));
    return REASON_NONE;
}

static uint8_t restart(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (body[0] > 1)
        return REASON_VALUE_RANGE;
    if (body[0] == 1 && !BOARD_BOOT_LOADER)
        return REASON_UNSUPPORTED;
    lines_start(box);
    send_done_now(box, tag);
    board_restart(box->board, body[0] == 1);
    return REASON_NONE;
}

/* The limit that a width or a hold time passes, or 0. */
static uint32_t limit_passed(uint32_t us)
{
    if (us < BOARD_LEAST_WIDTH)
        return BOARD_LEAST_WIDTH;
    return us > LONGEST_TIME ? LONGEST_TIME : 0;
}

/* Reads the marker that a pulse, pulse for or set asks for, or says what is wrong with it. */
static uint8_t read_marker(struct box *box)
{
    const uint8_t *message = box->reader.bytes;
    struct marker *marker = &box->lines.next;
    marker->request = message[0];
    marker->tag = message[1];
    marker->code = message[FRAME_HEAD];
    marker->width = 0;
    if (marker->request != REQUEST_SET && marker->code == 0)
        return REASON_VALUE_RANGE;
    if (marker->code & ~box->settings.lines)
        return refuse(box, REASON_OUTSIDE_LINES, box->settings.lines);
    if (marker->request == REQUEST_PULSE)
        marker->width = box->settings.width;
    if (marker->request == REQUEST_PULSE_FOR) {
        marker->width = get_u32(message + FRAME_HEAD + 1);
        uint32_t limit = limit_passed(marker->width);
        if (limit != 0)
            return refuse(box, REASON_WIDTH_RANGE, limit);
    }
    return REASON_NONE;
}

static uint8_t put_out(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)tag;
    (void)body;
    uint8_t reason = read_marker(box);
    return reason == REASON_NONE ? lines_marker(box) : reason;
}

static uint8_t sequence_load(struct box *box, uint8_t tag, const uint8_t *body)
{
    struct sequence *sequence = &box->sequence;
    uint16_t index = get_u16(body);
    uint8_t code = body[2];
    uint32_t hold = get_u32(body + 3);
    if (index >= BOARD_STEPS)
        return refuse(box, REASON_SEQUENCE_FULL, BOARD_STEPS);
    if (index != 0 && index != sequence->count)
        return refuse(box, REASON_SEQUENCE_ORDER, sequence->count);
    if (code & ~box->settings.lines)
        return refuse(box, REASON_OUTSIDE_LINES, box->settings.lines);
    uint32_t limit = limit_passed(hold);
    if (limit != 0)
        return refuse(box, REASON_WIDTH_RANGE, limit);
    if (index == 0)
        sequence_empty(sequence);
    sequence_add(sequence, lines_levels(box, code), hold);
    send_done_now(box, tag);
    return REASON_NONE;
}

static uint8_t sequence_start(struct box *box, uint8_t tag, const uint8_t *body)
{
    uint32_t repeats = get_u32(body);
    if (box->sequence.count == 0)
        return REASON_SEQUENCE_EMPTY;
    if (repeats > sequence_most_repeats(&box->sequence))
        return refuse(box, REASON_SEQUENCE_LONG, sequence_most_repeats(&box->sequence));
    if (!lines_are_idle(box))
        return REASON_LINES_BUSY;
    if (lines_gap_left(box) > 0)
        return refuse(box, REASON_LINES_BUSY, lines_gap_left(box));
    lines_play(box, tag, repeats);
    return REASON_NONE;
}

static uint8_t sequence_state(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    lines_play_on(box);
    send_answer(box, ANSWER_SEQUENCE, tag, put_sequence(box));
    return REASON_NONE;
}

static uint8_t sequence_stop(struct box *box, uint8_t tag, const uint8_t *body)
{
    lines_stop(box);
    return sequence_state(box, tag, body);
}

static uint8_t capture_start(struct box *box, uint8_t tag, const uint8_t *body)
{
    struct capture *capture = &box->capture;
    if (body[0] > CAPTURE_SEND)
        return REASON_VALUE_RANGE;
    board_watch(box->board, false);
    capture_empty(capture);
    uint64_t time = board_time(box->board);
    capture_add(capture, time, board_readback(box->board));
    capture->on = true;
    capture->sends = body[0] == CAPTURE_SEND;
    board_watch(box->board, true);
    send_done(box, tag, time);
    return REASON_NONE;
}

static uint8_t capture_fetch(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    send_answer(box, ANSWER_EDGES, tag, capture_take(&box->capture, message_body(box)));
    return REASON_NONE;
}

static uint8_t capture_stop(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    board_watch(box->board, false);
    box->capture.on = false;
    send_done_now(box, tag);
    return REASON_NONE;
}

static uint8_t settings_read(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    uint8_t *at = put_u8(message_body(box), box->kept.origin);
    at = put_u32(at, box->kept.count);
    send_answer(box, ANSWER_SETTINGS, tag, settings_write(&box->settings, at));
    return REASON_NONE;
}

/* New settings are in force: the lines go to their idle level, and a sequence that was loaded for the old ones is dropped. */
static void settings_changed(struct box *box, uint8_t tag)
{
    sequence_empty(&box->sequence);
    lines_rest(box);
    send_done_now(box, tag);
}

static uint8_t settings_replace(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (!lines_are_idle(box))
        return REASON_LINES_BUSY;
    int8_t wrong = settings_parse(&box->settings, body);
    if (wrong >= 0)
        return refuse(box, REASON_VALUE_RANGE, (uint32_t)wrong);
    settings_changed(box, tag);
    return REASON_NONE;
}

static uint8_t settings_to_factory(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    if (!lines_are_idle(box))
        return REASON_LINES_BUSY;
    settings_factory(&box->settings);
    settings_changed(box, tag);
    return REASON_NONE;
}

static uint8_t settings_to_store(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    if (!lines_are_idle(box))
        return REASON_LINES_BUSY;
    if (!settings_keep(box->board, &box->settings, &box->kept))
        return REASON_STORE_FAILED;
    send_done_now(box, tag);
    return REASON_NONE;
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
    ROW(PULSE,            1,               MARKER,   put_out) \
    ROW(PULSE_FOR,        5,               MARKER,   put_out) \
    ROW(SET,              1,               MARKER,   put_out) \
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

enum { /* lengths of the bodies */
#define ROW(request, body, flags, handler) LENGTH_##request = body,
    REQUESTS(ROW)
#undef ROW
};

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

static uint8_t carry_out(struct box *box, uint8_t type, uint8_t tag, const uint8_t *body)
{
    switch (type) {
#define ROW(request, length, flags, handler) \
    case REQUEST_##request:                  \
        return handler(box, tag, body);
        REQUESTS(ROW)
#undef ROW
    default:
        return REASON_UNKNOWN_REQUEST;
    }
}

/* What is wrong with the frame itself. */
static uint8_t fault_of(struct box *box, uint8_t type, uint8_t tag, uint8_t *flags)
{
    uint8_t length = 0;
    if (!look_up(type, &length, flags))
        return REASON_UNKNOWN_REQUEST;
    if (box->reader.length != FRAME_HEAD + length + FRAME_CRC)
        return refuse(box, REASON_WRONG_LENGTH, length);
    if (tag == 0)
        return REASON_TAG_ZERO;
    if ((*flags & MARKER) && fate_is_known(box, tag))
        return REASON_TAG_REPEATED;
    return REASON_NONE;
}

void request_handle(struct box *box)
{
    uint8_t type = box->reader.bytes[0];
    uint8_t tag = box->reader.bytes[1];
    const uint8_t *body = box->reader.bytes + FRAME_HEAD;
    uint8_t flags = 0;

    count(&box->counters[COUNT_FRAMES]);
    box->detail = 0;
    uint8_t reason = fault_of(box, type, tag, &flags);
    if (reason != REASON_NONE) {
        send_refused(box, type, tag, reason);
        return;
    }

    if (!(flags & MARKER) && type != REQUEST_IDENTIFY) /* whose host can't know yet which tags are in use */
        fate_forget(box, tag);
    if (!(flags & PLAYS_ON) && lines_play_on(box))
        reason = REASON_PLAYING;
    else
        reason = carry_out(box, type, tag, body);
    if (reason == REASON_NONE)
        return;
    if (flags & MARKER)
        marker_refused(box, &(struct marker){.request = type, .tag = tag, .code = marker_code(type, body)}, reason);
    else
        send_refused(box, type, tag, reason);
}

uint8_t request_body_end(uint8_t type)
{
    switch (type) {
    case REQUEST_PULSE:
        return FRAME_HEAD + LENGTH_PULSE;
    case REQUEST_PULSE_FOR:
        return FRAME_HEAD + LENGTH_PULSE_FOR;
    case REQUEST_SET:
        return FRAME_HEAD + LENGTH_SET;
    default:
        return 0;
    }
}

/* Whatever is wrong is found again, and told, when the frame is complete. */
void request_get_ready(struct box *box)
{
    uint8_t tag = box->reader.bytes[1];
    if (tag != 0 && !fate_is_known(box, tag) && read_marker(box) == REASON_NONE)
        lines_get_ready(box);
}
