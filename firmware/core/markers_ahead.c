/* Markers ahead of their time; the contract is in markers_ahead.h. */
#include "markers_ahead.h"

#include <stdatomic.h>
#include <stddef.h>

#include "box_state.h"
#include "time_arithmetic.h"
#include "bytes_and_counters.h"
#include "output_engine.h"
#include "marker_tags_and_fates.h"
#include "message_output.h"

_Static_assert(BOARD_LEAST_LEAD >= BOARD_LEAST_WIDTH && BOARD_LEAST_LEAD < UINT16_MAX / 2,
               "edges keep their distance, and a delay fits 16 bits");

static OUT_OF_LINE struct ahead_marker *place_of(struct box *box, uint8_t place)
{
    if (place == PLACE_OF_START)
        return &box->ahead.start;
    return place == 0 ? NULL : &box->sequence.places[place - 1];
}

const struct due *box_due(struct box *box)
{
    struct ahead_marker *first = place_of(box, box->ahead.first);
    return first == NULL ? NULL : &first->due;
}

const struct course *box_due_course(struct box *box)
{
    return box->ahead.first == PLACE_OF_START ? &box->ahead.course : NULL;
}

void box_begun(struct box *box)
{
    struct ahead_marker *marker = place_of(box, box->ahead.first);
    marker->state = PLACE_BEGUN;
    box->ahead.first = marker->behind;
}

struct ahead_marker *ahead_begun(struct box *box)
{
    if (box->ahead.oldest == box->ahead.first)
        return NULL;
    return place_of(box, box->ahead.oldest);
}

void ahead_time(const struct ahead_marker *marker, uint64_t *time)
{
    uint8_t *at = bytes_put_u32((uint8_t *)time, marker->due.at_us);
    bytes_put_u16(bytes_put_u16(at, marker->time_high), 0);
}

uint32_t ahead_width(const struct box *box, const struct ahead_marker *marker)
{
    return marker->due.rest == lines_levels(box, 0) ? marker->due.step.us : 0;
}

static OUT_OF_LINE void set_time(struct ahead_marker *marker, const uint64_t *time)
{
    marker->due.at_us = (uint32_t)*time;
    marker->time_high = time_high(time);
}

/* Two markers ---------------------------------------------------------------------------------- */

/* Whether a marker with `next_code` may go out `after` microseconds behind one that has this code and width
 * (0: it stays). `least` is the time that two edges need between them. */
static bool apart(const struct box *box, uint32_t after, uint8_t code, uint32_t width, uint8_t next_code,
                  uint32_t least)
{
    uint32_t gap = next_code == 0 ? 0 : box->settings.gap_us;
    if (after < least)
        return false;
    if (code == 0)
        return after >= gap;
    uint32_t span = lines_span(box, code, width);
    if (after < span) /* edges of a strobe need their distance too */
        return box->settings.strobe == 0 &&
               (next_code == 0 || (gap == 0 && box->settings.overlap == OVERLAP_CUT));
    if (width == 0 && gap > 0)
        return false;
    uint32_t idle = after - span;
    return idle >= gap && (idle == 0 || idle >= least);
}

/* The same of one that goes out at `at`, and of what the lines do at `box->now_us`. */
static OUT_OF_LINE bool apart_from_lines(const struct box *box, const uint64_t *at, uint8_t code)
{
    const struct lines *lines = &box->lines;
    if (lines->state == LINES_IDLE)
        return !lines->used || apart(box, time_since(at, &lines->idle_since_us), 0, 0, code, 0);
    return time_reached(at, &lines->edge_us) &&
           apart(box, time_since(at, &lines->edge_us), lines->marker.code, lines->marker.width_us, code,
                 BOARD_LEAST_WIDTH);
}

static bool apart_from(const struct box *box, const struct ahead_marker *before,
                       const struct ahead_marker *marker)
{
    if (before == NULL) {
        uint64_t at;
        ahead_time(marker, &at);
        return apart_from_lines(box, &at, marker->code);
    }
    return apart(box, marker->due.at_us - before->due.at_us, before->code, ahead_width(box, before),
                 marker->code, BOARD_LEAST_WIDTH);
}

/* Refuses a marker that is in the way of `other`; NULL: what is in its way is on the lines. */
static uint8_t taken(struct box *box, const struct ahead_marker *other)
{
    int32_t until = other == NULL ? 0 : (int32_t)(other->due.at_us - (uint32_t)box->now_us);
    return box_refuse(box, REASON_TAKEN, until < 0 ? 0 : (uint32_t)until);
}

bool ahead_is_near(struct box *box, uint32_t box_us)
{
    const struct due *first = box_due(box);
    if (first == NULL)
        return false;
    uint32_t until = first->at_us - box_us;
    return (int32_t)(until - BOARD_LEAST_LEAD) < 0;
}

uint8_t ahead_in_way(struct box *box, uint32_t wait_us)
{
    const struct marker *marker = &box->lines.next;
    uint8_t first = box->ahead.first;
    if (first == 0)
        return REASON_NONE;
    const struct ahead_marker *next = place_of(box, first);
    int32_t after = (int32_t)(next->due.at_us - (uint32_t)box->now_us - wait_us);
    if (ahead_is_near(box, (uint32_t)box->now_us))
        return taken(box, next);
    /* code 0 only makes the time longer for which the lines were idle before */
    if (marker->code != 0 && (after < 0 || !apart(box, (uint32_t)after, marker->code, marker->width_us,
                                                  next->code, BOARD_LEAST_LEAD)))
        return taken(box, next);
    return REASON_NONE;
}

/* The list ------------------------------------------------------------------------------------- */

/* The place in front of the first one that comes after `at`; 0: none is. */
static uint8_t place_before(struct box *box, uint32_t at)
{
    uint8_t before = 0;
    for (uint8_t place = box->ahead.oldest; place != 0; place = place_of(box, place)->behind) {
        if ((int32_t)(place_of(box, place)->due.at_us - at) > 0)
            break;
        before = place;
    }
    return before;
}

/* A place that no marker waits in: a free one, or that of the lowest number. 0: all are taken. */
static uint8_t place_to_use(struct box *box)
{
    uint8_t found = 0;
    for (uint8_t place = 1; place <= BOARD_PLACES; place++) {
        const struct ahead_marker *marker = place_of(box, place);
        if (marker->state == PLACE_FREE)
            return place;
        if (marker->state != PLACE_WAITS && marker->state != PLACE_BEGUN &&
            (found == 0 || marker->number < place_of(box, found)->number))
            found = place;
    }
    return found;
}

static OUT_OF_LINE void put_behind(struct box *box, uint8_t before, uint8_t place)
{
    struct ahead *ahead = &box->ahead;
    struct ahead_marker *earlier = place_of(box, before);
    atomic_signal_fence(memory_order_seq_cst); /* it is whole before the interrupt can see it */
    if (earlier == NULL) {
        ahead->oldest = place;
        ahead->first = place;
        return;
    }
    earlier->behind = place;
    if (earlier->state == PLACE_BEGUN) /* perhaps just now, with `first` already behind it */
        ahead->first = place;
}

/* Takes a place out of the list. Returns false, with the list as it was, if its marker has begun. */
static bool take_out(struct box *box, uint8_t before, uint8_t place)
{
    struct ahead *ahead = &box->ahead;
    struct ahead_marker *earlier = place_of(box, before);
    struct ahead_marker *marker = place_of(box, place);
    if (earlier == NULL)
        ahead->oldest = marker->behind;
    else
        earlier->behind = marker->behind;
    if (ahead->first == place)
        ahead->first = marker->behind;
    board_arm(box->board);
    if (marker->state != PLACE_BEGUN)
        return true;
    if (earlier == NULL)
        ahead->oldest = place;
    else
        earlier->behind = place;
    return false;
}

/* What is told --------------------------------------------------------------------------------- */

static void tell(struct box *box, const struct ahead_marker *marker, uint8_t notes, uint8_t reason)
{
    uint64_t time;
    ahead_time(marker, &time);
    uint8_t *at = bytes_put_u32(send_body(box), marker->number);
    at = bytes_put_u64(at, &time);
    at = bytes_put_u32(at, marker->due.step.us);
    at = bytes_put_u32(at, marker->delay_us);
    at = bytes_put_u8(at, notes);
    send_notice(box, NOTICE_MARKER_EDGE, bytes_put_u8(at, reason));
}

static void will_not_go_out(struct box *box, struct ahead_marker *marker, uint8_t reason)
{
    uint64_t now = board_time(box->board);
    counter_add(&box->counters[COUNT_REFUSED]);
    set_time(marker, &now);
    marker->due.step.us = NO_CUT;
    marker->delay_us = 0;
    marker->state = fate_state(FATE_REFUSED, reason, 0);
    if (marker == &box->ahead.start)
        sequence_not_started(&box->sequence);
    tell(box, marker, 0, reason);
}

void ahead_went_out(struct box *box)
{
    struct ahead_marker *marker = place_of(box, box->ahead.oldest);
    counter_add(&box->counters[COUNT_MARKERS]);
    box->ahead.oldest = marker->behind;
    marker->due.step.us = box->lines.lasted_us;
    marker->state = fate_state(FATE_DONE, REASON_NONE, box->lines.notes);
    tell(box, marker, box->lines.notes, REASON_NONE);
}

bool ahead_any(struct box *box)
{
    if (box->ahead.oldest != 0)
        lines_settle(box);
    return box->ahead.oldest != 0;
}

uint8_t *ahead_fate_write(struct box *box, uint32_t number, uint8_t *body)
{
    struct fate fate = {.tag = 0};
    for (uint8_t place = box->sequence.count == 0 ? 1 : PLACE_OF_START; place <= PLACE_OF_START; place++) {
        const struct ahead_marker *marker = place_of(box, place);
        if (marker->state == PLACE_FREE || marker->number != number)
            continue;
        ahead_time(marker, &fate.time_us);
        fate.lasted_us = marker->state == PLACE_WAITS ? NO_CUT : marker->due.step.us;
        fate.delay_us = marker->delay_us;
        fate.state = marker->state;
        fate.code = place == PLACE_OF_START ? 0 : marker->code;
    }
    return fate_put(&fate, number, body);
}

/* What a host asks for ------------------------------------------------------------------------- */

uint8_t ahead_accept(struct box *box, uint32_t at, uint32_t expiry)
{
    const struct marker *next = &box->lines.next;
    lines_settle(box);
    int32_t delay = (int32_t)((uint32_t)box->now_us + BOARD_LEAST_LEAD - at);
    if (delay < 0)
        delay = 0;
    at += (uint32_t)delay;
    if ((int32_t)(at - expiry) > 0)
        return box_refuse(box, REASON_LATE, at - expiry);

    /* a sequence that is loaded lies where the places are */
    bool fresh = box->sequence.count > 0;
    if (box->ahead.oldest == PLACE_OF_START)
        return taken(box, &box->ahead.start);
    uint8_t place = fresh ? 1 : place_to_use(box);
    if (place == 0)
        return box_refuse(box, REASON_PLACES, BOARD_PLACES);
    struct ahead_marker marker = {
        .delay_us = (uint16_t)delay, .number = box->ahead.number + 1, .code = next->code,
        .state = PLACE_WAITS};
    uint64_t time;
    time_after(&time, &box->now_us, at - (uint32_t)box->now_us);
    set_time(&marker, &time);
    marker.due.step.levels = lines_strobed(box, next->code);
    marker.due.step.us = lines_span(box, next->code, next->width_us);
    marker.due.rest = lines_levels(box, next->width_us > 0 ? 0 : next->code);
    uint8_t before = place_before(box, at);
    struct ahead_marker *earlier = place_of(box, before);
    marker.behind = earlier == NULL ? box->ahead.oldest : earlier->behind;
    const struct ahead_marker *later = place_of(box, marker.behind);
    if (!apart_from(box, earlier, &marker))
        return taken(box, earlier);
    if (later != NULL && !apart_from(box, &marker, later))
        return taken(box, later);

    if (fresh)
        sequence_empty(&box->sequence);
    box->ahead.number++;
    *place_of(box, place) = marker;
    put_behind(box, before, place);
    board_arm(box->board);
    marker_accepted(box, next, marker.number);
    return REASON_NONE;
}

uint8_t ahead_accept_start(struct box *box, uint32_t at, uint32_t repeats)
{
    struct ahead *ahead = &box->ahead;
    BOARD_BY_POINTER(ahead);
    struct sequence *sequence = &box->sequence;
    if (ahead_any(box))
        return REASON_LINES_BUSY;
    ahead->course = (struct course){
        .steps = sequence->steps, .count = sequence->count, .repeats = repeats,
        .rest = lines_levels(box, 0)};
    board_prepare(box->board, &ahead->course);
    lines_settle(box);
    uint32_t until = at - (uint32_t)box->now_us;
    if ((int32_t)until < BOARD_LEAST_LEAD)
        return box_refuse(box, REASON_LATE, BOARD_LEAST_LEAD - until);
    uint64_t time;
    time_after(&time, &box->now_us, until);
    if (!apart_from_lines(box, &time, START_CODE))
        return taken(box, NULL);
    struct ahead_marker *start = &ahead->start;
    set_time(start, &time);
    start->due.step = sequence->steps[0];
    start->due.rest = ahead->course.rest;
    start->number = ++ahead->number;
    start->code = START_CODE;
    start->delay_us = 0;
    start->state = PLACE_WAITS;
    sequence_will_start(sequence, repeats, &time);
    put_behind(box, 0, PLACE_OF_START);
    board_arm(box->board);
    marker_accepted(box, &box->lines.next, start->number);
    return REASON_NONE;
}

/* What stands behind a marker that was taken out may be in the way of what stands before it. */
static void mend(struct box *box)
{
    uint8_t before = 0;
    for (uint8_t place = box->ahead.oldest; place != 0;) {
        struct ahead_marker *marker = place_of(box, place);
        if (marker->state == PLACE_WAITS && !apart_from(box, place_of(box, before), marker) &&
            take_out(box, before, place))
            will_not_go_out(box, marker, REASON_TAKEN);
        else
            before = place;
        place = marker->behind;
    }
}

void ahead_cancel(struct box *box, uint32_t number)
{
    uint8_t before = 0;
    lines_settle(box);
    for (uint8_t place = box->ahead.oldest; place != 0;) {
        struct ahead_marker *marker = place_of(box, place);
        if ((number == 0 || marker->number == number) && take_out(box, before, place))
            will_not_go_out(box, marker, REASON_CANCELLED);
        else
            before = place;
        place = marker->behind;
    }
    mend(box);
    lines_settle(box); /* what went out meanwhile */
}
