/* Markers: their tags, their history, and what is reported of them. */
#include "marker_tags_and_fates.h"

#include <string.h>

#include "box_state.h"
#include "bytes_and_counters.h"
#include "message_output.h"

_Static_assert((BOARD_HISTORY & (BOARD_HISTORY - 1)) == 0 && BOARD_HISTORY <= 64,
               "a tag's place is its low bits, and has other tags too");
_Static_assert(BOARD_WINDOW / 7 < BOARD_HISTORY, "markers that are on their way have places of their own");

enum { STATE_OUTCOME = 0x03, STATE_REASON_SHIFT = 2, STATE_REASON = 0x1F, STATE_NO_EDGE = 0x80 };

_Static_assert((int)REASON_PLACES <= (int)STATE_REASON, "a reason fits its bits");

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

uint8_t fate_state(uint8_t outcome, uint8_t reason, uint8_t notes)
{
    return (uint8_t)(outcome | reason << STATE_REASON_SHIFT | (notes & NOTE_NO_EDGE ? STATE_NO_EDGE : 0));
}

uint8_t *fate_put(const struct fate *fate, uint32_t number, uint8_t *body)
{
    uint8_t outcome = fate->state & STATE_OUTCOME;
    uint8_t notes = fate->state & STATE_NO_EDGE ? NOTE_NO_EDGE : 0;
    if (fate->state == PLACE_WAITS || fate->state == PLACE_BEGUN) {
        outcome = FATE_ACCEPTED;
        notes = 0;
    }
    uint8_t *at = bytes_put_u8(body, fate->tag);
    at = bytes_put_u8(at, outcome);
    at = bytes_put_u8(at, fate->code);
    at = bytes_put_u8(at, fate->state >> STATE_REASON_SHIFT & STATE_REASON);
    at = bytes_put_u64(at, &fate->time_us);
    at = bytes_put_u32(at, fate->lasted_us);
    at = bytes_put_u32(at, fate->delay_us);
    at = bytes_put_u8(at, notes);
    return bytes_put_u32(at, number);
}

uint8_t *fate_write(struct box *box, uint8_t asked, uint8_t *body)
{
    const struct fate *known = place_of(box, asked);
    struct fate fate = {.tag = asked};
    uint32_t number = 0;
    if (asked != 0 && known->tag == asked) {
        fate = *known;
        if (fate.state == PLACE_WAITS) {
            number = fate.lasted_us;
            fate.lasted_us = 0;
        }
    }
    return fate_put(&fate, number, body);
}

static void remember(struct box *box, const struct marker *marker, uint8_t state, const uint64_t *time,
                     uint32_t lasted, uint32_t delay)
{
    struct fate *fate = place_of(box, marker->tag);
    fate->time_us = *time;
    fate->lasted_us = lasted;
    fate->delay_us = delay;
    fate->state = state;
    fate->code = marker->code;
    fate->tag = marker->tag;
}

/* A marker that waited for its gap came earlier: its place may have been given up since. */
static bool has_its_place(struct box *box, const struct marker *marker, bool waited)
{
    uint8_t tag = marker->tag;
    if (waited)
        return place_of(box, tag)->tag == tag;
    if (tag_is_next(box, tag))
        box->newest_tag = tag; /* its place is written over at once */
    else
        tag_came(box, tag);
    return true;
}

static void notice_byte(struct box *box, uint8_t byte, uint8_t reason, const uint64_t *time, uint32_t lasted,
                        uint32_t delay, uint8_t notes)
{
    uint8_t *at = bytes_put_u64(send_body(box), time);
    at = bytes_put_u8(at, byte);
    at = bytes_put_u8(at, reason);
    at = bytes_put_u32(at, lasted);
    at = bytes_put_u32(at, delay);
    send_notice(box, NOTICE_BYTE_MARKER, bytes_put_u8(at, notes));
}

void marker_accepted(struct box *box, const struct marker *marker, uint32_t number)
{
    uint64_t never = 0;
    if (has_its_place(box, marker, false))
        remember(box, marker, PLACE_WAITS, &never, number, 0);
    send_answer(box, ANSWER_ACCEPTED, marker->tag, bytes_put_u32(send_body(box), number));
}

void marker_waits(struct box *box, const struct marker *marker)
{
    uint64_t never = 0;
    if (marker->request != 0 && has_its_place(box, marker, false))
        remember(box, marker, FATE_WAITING, &never, box->lines.lasted_us, box->lines.delay_us);
}

void marker_done(struct box *box)
{
    const struct lines *lines = &box->lines;
    BOARD_BY_POINTER(lines);
    const struct marker *marker = &lines->marker;
    counter_add(&box->counters[COUNT_MARKERS]);
    if (marker->request == 0) {
        notice_byte(box, marker->code, REASON_NONE, &lines->edge_us, lines->lasted_us, lines->delay_us,
                    lines->notes);
        return;
    }
    if (has_its_place(box, marker, lines->delay_us > 0))
        remember(box, marker, fate_state(FATE_DONE, REASON_NONE, lines->notes), &lines->edge_us,
                 lines->lasted_us, lines->delay_us);
    uint8_t *at = bytes_put_u64(send_body(box), &lines->edge_us);
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
        remember(box, marker, fate_state(FATE_REFUSED, reason, 0), &now, lasted, 0);
    send_refused(box, marker->request, marker->tag, reason);
}
