/* The output engine; its contract is in output_engine.h. */
#include "output_engine.h"

#include <stddef.h>

#include "box_state.h"
#include "bytes_and_counters.h"
#include "markers_ahead.h"
#include "marker_tags_and_fates.h"
#include "message_output.h"
#include "time_arithmetic.h"

uint8_t lines_levels(const struct box *box, uint8_t code)
{
    return box->settings.idle == IDLE_HIGH ? (uint8_t)~code : code;
}

uint8_t lines_strobed(const struct box *box, uint8_t code)
{
    return lines_levels(box, code == 0 ? 0 : code | box->settings.strobe);
}

uint32_t lines_span(const struct box *box, uint8_t code, uint32_t width_us)
{
    if (width_us > 0 || code == 0 || box->settings.strobe == 0)
        return width_us;
    return box->settings.width_us;
}

/* Gives the marker's step the strobe. A code that is held has no step but this one. */
static OUT_OF_LINE void arrange_strobe(struct box *box, struct step *step)
{
    struct lines *lines = &box->lines;
    if (lines->next.code == 0)
        return;
    step->levels = lines_strobed(box, lines->next.code);
    if (lines->next.width_us == 0) {
        step->us = box->settings.width_us;
        lines->course.count++;
    }
}

/* Arranges a course: the marker `next`, after `wait` microseconds of idle. The board may still read the
 * steps of the course before until board_play() has returned, so the two take turns. */
static void arrange(struct box *box)
{
    struct lines *lines = &box->lines;
    struct step *step = lines->steps[lines->turn ^ 1];
    uint8_t idle = lines_levels(box, 0);
    uint8_t active = idle ^ lines->next.code;
    lines->course = (struct course){.steps = step, .count = 0, .repeats = 1, .rest = active};
    if (lines->wait_us > 0) {
        *step++ = (struct step){.levels = idle, .us = lines->wait_us};
        lines->course.count++;
    }
    if (lines->next.width_us > 0) {
        *step = (struct step){.levels = active, .us = lines->next.width_us};
        lines->course.count++;
        lines->course.rest = idle;
    }
    if (box->settings.strobe != 0)
        arrange_strobe(box, step);
}

/* Plays what was arranged. The box time of the edge is in `box->now_us`. */
static void play(struct box *box)
{
    box->now_us = board_play(box->board, &box->lines.course);
    box->lines.turn ^= 1;
    box->lines.ready = false;
}

void lines_rest(struct box *box)
{
    box->lines.next = (struct marker){.code = 0, .width_us = 0};
    box->lines.wait_us = 0;
    arrange(box);
    play(box);
}

void lines_start(struct box *box)
{
    lines_rest(box);
    if (box->lines.state == LINES_WAITING)
        marker_refused(box, &box->lines.marker, box_refuse(box, REASON_CANCELLED, box->lines.lasted_us));
    box->lines.state = LINES_IDLE;
    box->lines.used = false;
}

static uint8_t state_of(const struct marker *marker)
{
    if (marker->code == 0)
        return LINES_IDLE;
    return marker->width_us > 0 ? LINES_PULSE : LINES_HELD;
}

/* The sequence has come to its end, or was stopped, at `at`. */
static OUT_OF_LINE void sequence_is_over(struct box *box, uint8_t how, const uint64_t *at)
{
    box->lines.state = LINES_IDLE;
    time_set(&box->lines.idle_since_us, at);
    sequence_over(&box->sequence, how, at);
}

/* Updates the state to `box->now_us`: the board has moved the lines already. */
static void update(struct box *box)
{
    struct lines *lines = &box->lines;
    if (lines->state == LINES_WAITING && time_reached(&box->now_us, &lines->edge_us)) {
        lines->state = state_of(&lines->marker);
        marker_done(box);
    }
    if (lines->state == LINES_PULSE && time_since(&box->now_us, &lines->edge_us) >= lines->marker.width_us) {
        lines->state = LINES_IDLE;
        time_after(&lines->idle_since_us, &lines->edge_us, lines->marker.width_us);
    }
    if (lines->state == LINES_PLAYING && sequence_go_on(&box->sequence, &box->now_us)) {
        sequence_is_over(box, SEQUENCE_ENDED, &box->sequence.step_ends_us);
        uint8_t *at = bytes_put_u64(send_body(box), &box->sequence.ended_us);
        send_notice(box, NOTICE_SEQUENCE_ENDED, bytes_put_u32(at, box->sequence.played));
    }
}

/* What is in the way of a marker now. */
static uint8_t obstacle(struct box *box, const struct marker *marker)
{
    const struct lines *lines = &box->lines;
    if (lines->state == LINES_PLAYING)
        return REASON_PLAYING;
    if (marker->code == 0)
        return REASON_NONE;
    if (lines->state == LINES_WAITING)
        return box_refuse(box, REASON_WAITING, time_since(&lines->edge_us, &box->now_us));
    if (lines->state != LINES_IDLE && box->settings.overlap == OVERLAP_REFUSE) {
        uint32_t span = lines_span(box, lines->marker.code, lines->marker.width_us);
        uint32_t since = time_since(&box->now_us, &lines->edge_us);
        if (since < span)
            return box_refuse(box, REASON_OVERLAP, span - since);
    }
    return REASON_NONE;
}

uint32_t lines_gap_left(const struct box *box)
{
    const struct lines *lines = &box->lines;
    uint32_t gap = box->settings.gap_us;
    if (!lines->used || gap == 0)
        return 0;
    if (lines->state == LINES_IDLE) {
        uint32_t idle = time_since(&box->now_us, &lines->idle_since_us);
        if (idle >= gap)
            return 0;
        gap -= idle;
    }
    return gap < BOARD_LEAST_WIDTH ? BOARD_LEAST_WIDTH : gap;
}

/* Whether it depends on the time what a marker does now. Where it doesn't (lines idle, or a pulse that may
 * be cut), the way from the frame to the edge is short. */
static bool time_decides(const struct box *box, const struct marker *marker)
{
    const struct lines *lines = &box->lines;
    return box->settings.gap_us > 0 || marker->code == 0 || lines->state >= LINES_WAITING ||
           (lines->state != LINES_IDLE && box->settings.overlap == OVERLAP_REFUSE) ||
           box->ahead.oldest != 0;
}

void lines_get_ready(struct box *box)
{
    if (time_decides(box, &box->lines.next))
        return;
    box->lines.wait_us = 0;
    arrange(box);
    box->lines.ready = true;
}

/* What is in the way of the marker `next` where the time decides, and how long it has to wait. */
static OUT_OF_LINE uint8_t look_at_time(struct box *box, bool expires)
{
    struct lines *lines = &box->lines;
    lines_settle(box);
    uint8_t reason = obstacle(box, &lines->next);
    if (reason != REASON_NONE)
        return reason;
    if (lines->next.code != 0)
        lines->wait_us = lines_gap_left(box);
    reason = ahead_in_way(box, lines->wait_us);
    int32_t late = (int32_t)((uint32_t)box->now_us + lines->wait_us - lines->expiry_us);
    if (reason == REASON_NONE && expires && late > 0)
        return box_refuse(box, REASON_LATE, (uint32_t)late);
    return reason;
}

uint8_t lines_marker(struct box *box)
{
    struct lines *lines = &box->lines;
    bool expires = lines->expires;
    lines->expires = false;
    lines->wait_us = 0;
    if (expires || time_decides(box, &lines->next)) {
        uint8_t reason = look_at_time(box, expires);
        if (reason != REASON_NONE)
            return reason;
    }
    arrange(box);
    lines_go(box);
    return REASON_NONE;
}

/* Updates the state for the marker `next`, whose course began at `box->now_us`. */
static OUT_OF_LINE void take_over(struct box *box)
{
    struct lines *lines = &box->lines;
    BOARD_BY_POINTER(lines);
    uint32_t lasted = NO_CUT;
    uint32_t span = lines->marker.width_us;
    bool active = lines->state == LINES_HELD;
    if (active)
        span = lines_span(box, lines->marker.code, span);
    if (lines->state == LINES_PULSE || (active && span > 0)) {
        /* right, or too short by some 71 minutes */
        lasted = (uint32_t)box->now_us - (uint32_t)lines->edge_us;
        if (lasted >= span || time_since(&box->now_us, &lines->edge_us) != lasted)
            lasted = NO_CUT; /* it was over */
        active = active || lasted != NO_CUT;
    }
    if (lines->state == LINES_WAITING) /* only code 0 gets here */
        marker_refused(box, &lines->marker, box_refuse(box, REASON_CANCELLED, lines->lasted_us));
    if ((lines->next.code == 0 || lines->wait_us > 0) && active)
        time_set(&lines->idle_since_us, &box->now_us);

    lines->notes = 0;
    if (active && lines->next.code == lines->marker.code && lines->wait_us == 0 &&
        box->settings.strobe == 0) /* which a receiver sees in any case */
        lines->notes = NOTE_NO_EDGE;
    lines->marker = lines->next;
    lines->lasted_us = lasted;
    lines->delay_us = lines->wait_us;
    time_set(&lines->edge_us, &box->now_us);
    if (lines->marker.code != 0)
        lines->used = true;
    lines->state = state_of(&lines->marker);
    if (lines->wait_us > 0) {
        lines->state = LINES_WAITING;
        time_after(&lines->edge_us, &lines->edge_us, lines->wait_us);
    }
}

void lines_go(struct box *box)
{
    play(box); /* first of all */
    take_over(box);
    if (box->lines.state == LINES_WAITING)
        marker_waits(box, &box->lines.marker);
    else
        marker_done(box);
}

/* A marker ahead has begun by itself. */
static void take_note(struct box *box, const struct ahead_marker *begun)
{
    struct lines *lines = &box->lines;
    bool start = begun == &box->ahead.start;
    uint8_t code = begun->code;
    if (start) /* that of its first step */
        code = (uint8_t)((begun->due.step.levels ^ lines_levels(box, 0)) & ~box->settings.strobe);
    ahead_time(begun, &box->now_us);
    /* at the end of a pulse to the microsecond the lines go from code to code */
    bool no_edge = box->settings.strobe == 0 && lines->state == LINES_PULSE && lines->marker.code == code &&
                   time_since(&box->now_us, &lines->edge_us) == lines->marker.width_us;
    update(box);
    uint32_t width_us = ahead_width(box, begun);
    lines->next = (struct marker){.request = REQUEST_TIMED, .code = code, .width_us = width_us};
    lines->wait_us = 0;
    take_over(box);
    if (no_edge)
        lines->notes = NOTE_NO_EDGE;
    if (start) {
        lines->state = LINES_PLAYING;
        lines->used = true;
        sequence_started(&box->sequence, box->sequence.repeats, &lines->edge_us);
    }
    ahead_went_out(box);
}

/* Markers ahead that have begun by themselves. What a request has put into `next` is there again later. */
static OUT_OF_LINE void take_notes(struct box *box)
{
    struct marker coming = box->lines.next;
    const struct ahead_marker *begun;
    while ((begun = ahead_begun(box)) != NULL)
        take_note(box, begun);
    box->lines.next = coming;
}

void lines_settle(struct box *box)
{
    do {
        if (ahead_begun(box) != NULL)
            take_notes(box);
        box->now_us = board_time(box->board);
    } while (ahead_begun(box) != NULL); /* since then */
    update(box);
}

void lines_disown(struct box *box)
{
    box->lines.marker.tag = 0;
}

bool lines_are_idle(struct box *box)
{
    lines_settle(box);
    return box->lines.state == LINES_IDLE && box->ahead.oldest == 0;
}

void lines_play(struct box *box, uint8_t tag, uint32_t repeats)
{
    struct lines *lines = &box->lines;
    BOARD_BY_POINTER(lines);
    struct sequence *sequence = &box->sequence;
    struct course course = {
        .steps = sequence->steps, .count = sequence->count, .repeats = repeats, .rest = lines_levels(box, 0)};
    lines->edge_us = board_play(box->board, &course);
    lines->ready = false;
    lines->state = LINES_PLAYING;
    lines->used = true;
    lines->marker = (struct marker){.request = REQUEST_SEQUENCE_START, .tag = tag};
    lines->lasted_us = NO_CUT;
    lines->delay_us = 0;
    lines->notes = 0;
    sequence_started(sequence, repeats, &lines->edge_us);
    marker_done(box);
}

bool lines_play_on(struct box *box)
{
    if (box->lines.state == LINES_PLAYING || ahead_begun(box) != NULL)
        lines_settle(box);
    return box->lines.state == LINES_PLAYING;
}

void lines_stop(struct box *box)
{
    if (!lines_play_on(box))
        return;
    lines_rest(box);
    sequence_go_on(&box->sequence, &box->now_us);
    sequence_is_over(box, SEQUENCE_STOPPED, &box->now_us);
}

bool lines_next(struct box *box, uint64_t *next)
{
    const struct lines *lines = &box->lines;
    switch (lines->state) {
    case LINES_WAITING:
        time_set(next, &lines->edge_us);
        return true;
    case LINES_PLAYING:
        time_set(next, &box->sequence.step_ends_us);
        return true;
    case LINES_HELD:
        if (box->settings.hold_limit_us == 0)
            return false;
        time_after(next, time_reached(&box->heard_us, &lines->edge_us) ? &box->heard_us : &lines->edge_us,
                   box->settings.hold_limit_us);
        return !ahead_is_near(box, (uint32_t)*next); /* it takes its place before, or right then */
    default:
        return false;
    }
}

static void end_hold(struct box *box)
{
    struct lines *lines = &box->lines;
    lines_rest(box);
    time_set(&lines->idle_since_us, &box->now_us);
    lines->state = LINES_IDLE;
    uint8_t *at = bytes_put_u64(send_body(box), &lines->idle_since_us);
    send_notice(box, NOTICE_HOLD_ENDED, bytes_put_u8(at, lines->marker.code));
}

void lines_poll(struct box *box)
{
    if (ahead_begun(box) != NULL)
        lines_settle(box);
    /* the usual case: not even the time is read. The end of a pulse is not reported */
    if (box->lines.state <= LINES_PULSE)
        return;
    uint64_t next;
    if (!lines_next(box, &next))
        return;
    uint64_t now = board_time(box->board);
    if (!time_reached(&now, &next))
        return;
    if (box->lines.state != LINES_HELD)
        lines_settle(box);
    else if (!ahead_is_near(box, (uint32_t)now))
        end_hold(box);
}
