/* Markers: their tags, their history, and what is reported of them. */
#include "marker_history.h"

#include <string.h>

#include "box_state.h"
#include "byte_order.h"
#include "message_output.h"

_Static_assert((BOARD_HISTORY & (BOARD_HISTORY - 1)) == 0 && BOARD_HISTORY <= 64,
               "a tag's place is its low bits, and has other tags too");
_Static_assert(BOARD_WINDOW / 7 < BOARD_HISTORY, "markers that are on their way have places of their own");

/* What is packed: 48 bits of box time, the pulse that was cut, 24 bits of delay, and a byte of state. Each
 * number is written over the upper bytes of the one before, which are 0. */
enum { TIME_AT = 0, LASTED_AT = 6, DELAY_AT = 10, STATE_AT = 13 };
enum { STATE_OUTCOME = 0x03, STATE_REASON_SHIFT = 2, STATE_REASON = 0x1F, STATE_NO_EDGE = 0x80 };

_Static_assert((int)REASON_LATE <= (int)STATE_REASON && LONGEST_GAP < 1ul << 24, "they fit their bits");

static struct fate *place_of(struct box *box, uint8_t tag)
{
    return &box->history[tag % BOARD_HISTORY];
}

/* Tags go round from 255 to 1. */
bool tag_is_ahead(const struct box *box, uint8_t tag)
{
    uint8_t newest = box->newest_tag;
    uint8_t ahead = (uint8_t)(tag - newest - (tag < newest));
    return newest == 0 || (uint8_t)(ahead - 1) < TAGS_AHEAD;
}

void tag_came(struct box *box, uint8_t tag)
{
    if (!tag_is_ahead(box, tag))
        return;
    uint8_t passed = box->newest_tag;
    box->newest_tag = tag;
    if (passed == 0)
        return; /* nothing is in the history yet */
    do { /* usually once */
        if (++passed == 0)
            passed = 1;
        place_of(box, passed)->tag = 0;
    } while (passed != tag);
}

void tags_begin(struct box *box, uint8_t tag)
{
    memset(box->history, 0, sizeof box->history);
    box->newest_tag = tag;
}

uint8_t *fate_write(struct box *box, uint8_t asked, uint8_t *body)
{
    /* all zero; not const, because small chips would keep the zeros in their flash too */
    static struct fate unknown;
    const struct fate *fate = place_of(box, asked);
    if (asked == 0 || fate->tag != asked)
        fate = &unknown;
    uint8_t state = fate->packed[STATE_AT];
    uint8_t *at = bytes_put_u8(body, asked);
    at = bytes_put_u8(at, state & STATE_OUTCOME);
    at = bytes_put_u8(at, fate->code);
    at = bytes_put_u8(at, state >> STATE_REASON_SHIFT & STATE_REASON);
    memset(at, 0, 8 + 4 + 4);
    memcpy(at, fate->packed + TIME_AT, LASTED_AT - TIME_AT);
    memcpy(at + 8, fate->packed + LASTED_AT, DELAY_AT - LASTED_AT);
    memcpy(at + 12, fate->packed + DELAY_AT, STATE_AT - DELAY_AT);
    return bytes_put_u8(at + 16, state & STATE_NO_EDGE ? NOTE_NO_EDGE : 0);
}

static void remember(struct box *box, const struct marker *marker, uint8_t outcome, uint8_t reason,
                     const uint64_t *time, uint32_t lasted)
{
    struct fate *fate = place_of(box, marker->tag);
    uint8_t *packed = fate->packed;
    bytes_put_u64(packed + TIME_AT, *time);
    bytes_put_u32(packed + LASTED_AT, lasted);
    bytes_put_u32(packed + DELAY_AT, outcome == FATE_REFUSED ? 0 : box->lines.delay_us);
    packed[STATE_AT] = (uint8_t)(outcome | reason << STATE_REASON_SHIFT);
    if (outcome == FATE_DONE && (box->lines.notes & NOTE_NO_EDGE))
        packed[STATE_AT] |= STATE_NO_EDGE;
    fate->code = marker->code;
    fate->tag = marker->tag;
}

/* A marker that waited for its gap came earlier: its place may have been given up since. */
static bool has_its_place(struct box *box, const struct marker *marker, bool waited)
{
    if (!waited)
        tag_came(box, marker->tag);
    return !waited || place_of(box, marker->tag)->tag == marker->tag;
}

static void notice_byte(struct box *box, uint8_t byte, uint8_t reason, const uint64_t *time, uint32_t lasted,
                        uint32_t delay, uint8_t notes)
{
    uint8_t *at = bytes_put_u64(send_body(box), *time);
    at = bytes_put_u8(at, byte);
    at = bytes_put_u8(at, reason);
    at = bytes_put_u32(at, lasted);
    at = bytes_put_u32(at, delay);
    send_notice(box, NOTICE_BYTE_MARKER, bytes_put_u8(at, notes));
}

void marker_waits(struct box *box, const struct marker *marker)
{
    static uint64_t never; /* 0; see fate_write() */
    if (marker->request != 0 && has_its_place(box, marker, false))
        remember(box, marker, FATE_WAITING, REASON_NONE, &never, box->lines.lasted_us);
}

void marker_done(struct box *box)
{
    const struct lines *lines = &box->lines;
    const struct marker *marker = &lines->marker;
    counter_add(&box->counters[COUNT_MARKERS]);
    if (marker->request == 0) {
        notice_byte(box, marker->code, REASON_NONE, &lines->edge_us, lines->lasted_us, lines->delay_us,
                    lines->notes);
        return;
    }
    if (has_its_place(box, marker, lines->delay_us > 0))
        remember(box, marker, FATE_DONE, REASON_NONE, &lines->edge_us, lines->lasted_us);
    uint8_t *at = bytes_put_u64(send_body(box), lines->edge_us);
    if (lines->lasted_us == NO_CUT && lines->delay_us == 0 && lines->notes == 0) {
        send_answer(box, ANSWER_DONE, marker->tag, at);
        return;
    }
    at = bytes_put_u32(at, lines->lasted_us);
    at = bytes_put_u32(at, lines->delay_us);
    send_answer(box, ANSWER_DONE_NOTED, marker->tag, bytes_put_u8(at, lines->notes));
}

void marker_refused(struct box *box, const struct marker *marker, uint8_t reason)
{
    uint64_t now = board_time(box->board);
    uint32_t lasted = reason == REASON_CANCELLED ? box->detail : NO_CUT;
    if (marker->request == 0) {
        notice_byte(box, marker->code, reason, &now, lasted, 0, 0);
        return;
    }
    if (has_its_place(box, marker, reason == REASON_CANCELLED))
        remember(box, marker, FATE_REFUSED, reason, &now, lasted);
    send_refused(box, marker->request, marker->tag, reason);
}
