/* What a host can ask for: one row of the table declares a request. What is wrong with a frame is found
 * here; what a request does is in request_handlers.c. */
#include "request_dispatch.h"

#include "box_state.h"
#include "request_handlers.h"
#include "probe_requests.h"
#include "output_engine.h"
#include "marker_tags_and_fates.h"
#include "message_output.h"

enum { /* flags of a row */
    PLAYS_ON = 1, /* allowed while a sequence plays */
    MARKER = 2    /* only with a tag that is ahead */
};

/*      request           body             flags     handler */
#define REQUESTS(ROW) \
    ROW(IDENTIFY,         2,               PLAYS_ON, identify) \
    ROW(CLOCK,            0,               PLAYS_ON, clock) \
    ROW(COUNTERS,         0,               PLAYS_ON, counters) \
    ROW(LEVELS,           0,               PLAYS_ON, levels) \
    ROW(FATE,             1,               PLAYS_ON, fate) \
    ROW(RESTART,          1,               PLAYS_ON, restart) \
    ROW(SESSION,          4,               PLAYS_ON, session) \
    ROW(FATE_OF_NUMBER,   4,               PLAYS_ON, fate_of_number) \
    ROW(PULSE,            1,               MARKER,   put_out) \
    ROW(PULSE_FOR,        5,               MARKER,   put_out) \
    ROW(SET,              1,               MARKER,   put_out) \
    ROW(TIMED,            14,              MARKER,   timed) \
    ROW(CANCEL,           4,               PLAYS_ON, cancel) \
    ROW(SEQUENCE_LOAD,    7,               0,        sequence_load) \
    ROW(SEQUENCE_START,   4,               MARKER,   sequence_start) \
    ROW(SEQUENCE_STOP,    0,               PLAYS_ON, sequence_stop) \
    ROW(SEQUENCE_STATE,   0,               PLAYS_ON, sequence_state) \
    ROW(SEQUENCE_START_AT, 8,              MARKER,   sequence_start_at) \
    ROW(CAPTURE_START,    1,               PLAYS_ON, capture_start) \
    ROW(CAPTURE_FETCH,    4,               PLAYS_ON, capture_fetch) \
    ROW(CAPTURE_STOP,     0,               PLAYS_ON, capture_stop) \
    ROW(SETTINGS_READ,    0,               PLAYS_ON, settings_read) \
    ROW(SETTINGS_WRITE,   SETTINGS_LENGTH, 0,        settings_write) \
    ROW(SETTINGS_KEEP,    0,               0,        settings_keep) \
    ROW(SETTINGS_FACTORY, 0,               0,        settings_factory) \
    ROW(PROBE_LEVELS,     0,               PLAYS_ON, probe_levels) \
    ROW(SNIPPET_TAKE,     2,               PLAYS_ON, snippet_take) \
    ROW(SNIPPET_READ,     2,               PLAYS_ON, snippet_read)

enum { /* lengths of the bodies */
#define ROW(request, body, flags, handler) LENGTH_##request = body,
    REQUESTS(ROW)
#undef ROW
};

/* The code of a marker request, for the history. */
static uint8_t marker_code(uint8_t type, const uint8_t *body)
{
    if (type == REQUEST_SEQUENCE_START || type == REQUEST_SEQUENCE_START_AT)
        return 0;
    return type == REQUEST_TIMED ? body[1] : body[0];
}

/* A row's length and flags in one byte, at the number of its request; 0: there is no such request. */
static const BOARD_TABLE uint8_t rows[] = {
#define ROW(request, body, flags, handler) [REQUEST_##request] = 1 + (flags) + 4 * (body),
    REQUESTS(ROW)
#undef ROW
};

_Static_assert(1 + (PLAYS_ON | MARKER) + 4 * BODY_LONGEST <= UINT8_MAX, "a row fits its byte");

static uint8_t carry_out(struct box *box, uint8_t type, uint8_t tag, const uint8_t *body)
{
    switch (type) {
#define ROW(request, length, flags, handler) \
    case REQUEST_##request:                  \
        return handle_##handler(box, tag, body);
        REQUESTS(ROW)
#undef ROW
    default:
        return REASON_UNKNOWN_REQUEST;
    }
}

/* What is wrong with the frame itself. */
static uint8_t fault_of(struct box *box, uint8_t type, uint8_t tag, uint8_t *flags)
{
    uint8_t row = type < sizeof rows ? rows[type] : 0;
    if (row == 0)
        return REASON_UNKNOWN_REQUEST;
    uint8_t length = (uint8_t)(row - 1) / 4;
    *flags = (row - 1) & (PLAYS_ON | MARKER);
    if (box->reader.length != FRAME_HEAD + length + FRAME_CRC)
        return box_refuse(box, REASON_WRONG_LENGTH, length);
    if (tag == 0)
        return REASON_TAG_ZERO;
    if ((*flags & MARKER) && !tag_is_ahead(box, tag))
        return box_refuse(box, REASON_TAG_REPEATED, box->newest_tag);
    return REASON_NONE;
}

void request_handle(struct box *box)
{
    uint8_t type = box->reader.bytes[0];
    uint8_t tag = box->reader.bytes[1];
    const uint8_t *body = box->reader.bytes + FRAME_HEAD;
    uint8_t flags = 0;

    counter_add(&box->counters[COUNT_FRAMES]);
    box->detail = 0;
    uint8_t reason = fault_of(box, type, tag, &flags);
    if (reason != REASON_NONE) {
        send_refused(box, type, tag, reason);
        return;
    }

    /* markers see to it themselves, after their edge; who greets can't know yet which tags are ahead */
    if (!(flags & MARKER) && type != REQUEST_IDENTIFY && type != REQUEST_SESSION)
        tag_came(box, tag);
    if (!(flags & PLAYS_ON) && lines_play_on(box))
        reason = REASON_PLAYING;
    else
        reason = carry_out(box, type, tag, body);
    if (reason == REASON_NONE)
        return;
    if (flags & MARKER)
        marker_refused(box, &(struct marker){.request = type, .tag = tag, .code = marker_code(type, body)},
                       reason);
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
    if (tag != 0 && (tag_is_next(box, tag) || tag_is_ahead(box, tag)) && marker_read(box) == REASON_NONE)
        lines_get_ready(box);
}
