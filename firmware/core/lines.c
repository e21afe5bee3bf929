#include "lines.h"

#include "box.h"
#include "bytes.h"

uint8_t lines_levels(const struct box *box, uint8_t code)
{
    return box->settings.idle == IDLE_HIGH ? (uint8_t)~code : code;
}

/* Plays `marker` after `wait` microseconds of idle. The board may still read the steps of the course before until
 * board_play() has returned, so the two take turns. */
static uint64_t play(struct box *box, const struct marker *marker, uint32_t wait)
{
    struct lines *lines = &box->lines;
    lines->turn ^= 1;
    struct step *steps = lines->steps[lines->turn];
    uint8_t idle = lines_levels(box, 0);
    uint8_t active = lines_levels(box, marker->code);
    struct course course = {.steps = steps, .count = 0, .repeats = 1, .rest = marker->width == 0 ? active : idle};
    if (wait > 0)
        steps[course.count++] = (struct step){.levels = idle, .us = wait};
    if (marker->width > 0)
        steps[course.count++] = (struct step){.levels = active, .us = marker->width};
    return board_play(box->board, &course);
}

uint64_t lines_rest(struct box *box)
{
    return play(box, &(struct marker){.width = 0, .code = 0}, 0);
}

void lines_start(struct box *box)
{
    lines_rest(box);
    if (box->lines.state == LINES_WAITING)
        marker_refused(box, &box->lines.marker, &(struct refusal){REASON_CANCELLED, box->lines.lasted});
    box->lines.state = LINES_IDLE;
    box->lines.used = false;
}

static void went_idle(struct lines *lines, uint64_t at)
{
    lines->state = LINES_IDLE;
    lines->idle_since = at;
}

static uint8_t state_of(const struct marker *marker)
{
    if (marker->code == 0)
        return LINES_IDLE;
    return marker->width > 0 ? LINES_PULSE : LINES_HELD;
}

/* Brings the books up to `now`: the board has moved the lines already. */
static void settle(struct box *box, uint64_t now)
{
    struct lines *lines = &box->lines;
    if (lines->state == LINES_WAITING && now >= lines->edge) {
        lines->state = state_of(&lines->marker);
        marker_done(box, &lines->marker, lines->edge, lines->lasted, lines->delay);
    }
    if (lines->state == LINES_PULSE && now - lines->edge >= lines->marker.width)
        went_idle(lines, lines->edge + lines->marker.width);
    if (lines->state == LINES_PLAYING && now >= box->sequence.will_end) {
        uint64_t end = box->sequence.will_end;
        went_idle(lines, end);
        sequence_over(&box->sequence, SEQUENCE_ENDED, end);
        uint8_t *at = put_u64(message_body(box), end);
        send_notice(box, NOTICE_SEQUENCE_ENDED, put_u32(at, box->sequence.played));
    }
}

/* What is in the way of a marker at `now`. */
static struct refusal obstacle(const struct box *box, const struct marker *marker, uint64_t now)
{
    const struct lines *lines = &box->lines;
    if (lines->state == LINES_PLAYING)
        return (struct refusal){REASON_PLAYING, 0};
    if (marker->code == 0)
        return ACCEPTED;
    if (lines->state == LINES_WAITING)
        return (struct refusal){REASON_WAITING, (uint32_t)(lines->edge - now)};
    if (lines->state == LINES_PULSE && box->settings.overlap == OVERLAP_REFUSE)
        return (struct refusal){REASON_OVERLAP, (uint32_t)(lines->edge + lines->marker.width - now)};
    return ACCEPTED;
}

/* How long the lines have to stay idle from `now` on until the gap is over. */
static uint32_t gap_left(const struct box *box, uint64_t now)
{
    const struct lines *lines = &box->lines;
    uint32_t gap = box->settings.gap;
    if (!lines->used || gap == 0)
        return 0;
    if (lines->state == LINES_IDLE) {
        uint64_t idle = now - lines->idle_since;
        if (idle >= gap)
            return 0;
        gap -= (uint32_t)idle;
    }
    return gap < BOARD_LEAST_WIDTH ? BOARD_LEAST_WIDTH : gap;
}

struct refusal lines_marker(struct box *box, const struct marker *marker)
{
    struct lines *lines = &box->lines;
    const struct settings *settings = &box->settings;
    if (marker->code & ~settings->lines)
        return (struct refusal){REASON_OUTSIDE_LINES, settings->lines};

    /* The way from the frame to the edge is short where nothing depends on the time: idle, or a pulse that may be cut. */
    uint32_t wait = 0;
    bool time_decides = settings->gap > 0 || marker->code == 0 || lines->state >= LINES_WAITING ||
                        (lines->state == LINES_PULSE && settings->overlap == OVERLAP_REFUSE);
    if (time_decides) {
        uint64_t now = board_time(box->board);
        settle(box, now);
        struct refusal refusal = obstacle(box, marker, now);
        if (refusal.reason != REASON_NONE)
            return refusal;
        if (marker->code != 0)
            wait = gap_left(box, now);
    }

    uint64_t time = play(box, marker, wait);

    uint32_t lasted = NO_CUT;
    if (lines->state == LINES_PULSE && time - lines->edge < lines->marker.width)
        lasted = (uint32_t)(time - lines->edge);
    if (lines->state == LINES_WAITING) /* only code 0 gets here */
        marker_refused(box, &lines->marker, &(struct refusal){REASON_CANCELLED, lines->lasted});
    if ((marker->code == 0 || wait > 0) && (lasted != NO_CUT || lines->state == LINES_HELD))
        lines->idle_since = time;
    lines->marker = *marker;
    lines->edge = time + wait;
    lines->used = lines->used || marker->code != 0;
    if (wait > 0) {
        lines->state = LINES_WAITING;
        lines->lasted = lasted;
        lines->delay = wait;
        marker_waits(box, marker);
    } else {
        lines->state = state_of(marker);
        marker_done(box, marker, time, lasted, 0);
    }
    return ACCEPTED;
}

bool lines_are_idle(struct box *box)
{
    settle(box, board_time(box->board));
    return box->lines.state == LINES_IDLE;
}

bool lines_are_ready(struct box *box)
{
    return lines_are_idle(box) && gap_left(box, board_time(box->board)) == 0;
}

uint64_t lines_play(struct box *box, uint32_t repeats)
{
    struct sequence *sequence = &box->sequence;
    struct course course = {
        .steps = sequence->steps, .count = sequence->count, .repeats = repeats, .rest = lines_levels(box, 0)};
    uint64_t time = board_play(box->board, &course);
    sequence_started(sequence, repeats, time);
    box->lines.state = LINES_PLAYING;
    box->lines.used = true;
    return time;
}

bool lines_play_on(struct box *box)
{
    if (box->lines.state == LINES_PLAYING)
        settle(box, board_time(box->board));
    return box->lines.state == LINES_PLAYING;
}

void lines_stop(struct box *box)
{
    if (!lines_play_on(box))
        return;
    uint64_t time = lines_rest(box);
    went_idle(&box->lines, time);
    sequence_over(&box->sequence, SEQUENCE_STOPPED, time);
}

static uint64_t hold_ends(const struct box *box)
{
    uint64_t alive = box->heard > box->lines.edge ? box->heard : box->lines.edge;
    return alive + box->settings.hold_limit;
}

uint64_t lines_next(const struct box *box)
{
    switch (box->lines.state) {
    case LINES_WAITING:
        return box->lines.edge;
    case LINES_PLAYING:
        return box->sequence.will_end;
    case LINES_HELD:
        return box->settings.hold_limit > 0 ? hold_ends(box) : UINT64_MAX;
    default: /* a pulse ends without a word */
        return UINT64_MAX;
    }
}

static void end_hold(struct box *box)
{
    uint64_t time = lines_rest(box);
    went_idle(&box->lines, time);
    uint8_t *at = put_u64(message_body(box), time);
    send_notice(box, NOTICE_HOLD_ENDED, put_u8(at, box->lines.marker.code));
}

void lines_poll(struct box *box)
{
    uint64_t next = lines_next(box);
    if (next == UINT64_MAX) /* the usual case: not even the time is read */
        return;
    uint64_t now = board_time(box->board);
    if (now < next)
        return;
    if (box->lines.state == LINES_HELD)
        end_hold(box);
    else
        settle(box, now);
}
