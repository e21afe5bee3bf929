/* The output engine: what the lines do, and which marker may move them when. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "bytes_and_counters.h"

struct box;

/* Takes the lines to idle, as after a start. A marker that waits is cancelled. */
void lines_start(struct box *box);

/* Puts the idle level on the lines and nothing else, at `box->now_us`: the caller updates the state. */
void lines_rest(struct box *box);

/* Levels that stand for a code. */
uint8_t lines_levels(const struct box *box, uint8_t code);

/* The same of one that goes out: with the strobe, if it has any line active. */
OUT_OF_LINE uint8_t lines_strobed(const struct box *box, uint8_t code);

/* How long a marker is out, in microseconds, unless it is cut: its width, or the time of its strobe where a
 * code is held (width 0), which is that of a pulse of the settings' width. 0: nothing ends by itself. */
OUT_OF_LINE uint32_t lines_span(const struct box *box, uint8_t code, uint32_t width_us);

/* Puts the marker `lines.next` out, now or after its gap, and sees to its answer; or says why not. Its
 * code has no line that isn't in use. */
uint8_t lines_marker(struct box *box);

/* Reads the clock into `box->now_us` and updates the state to then, with what began by itself. Leaves
 * `lines.next` as it is. */
void lines_settle(struct box *box);

/* Gets ready for the marker `lines.next`, which may come, if that needs no look at the clock. If
 * lines.ready is true when it comes, lines_go() does the rest. */
void lines_get_ready(struct box *box);
OUT_OF_LINE void lines_go(struct box *box);

/* The marker that waits, if one does, is no longer that of the host that has the box: its answer gets
 * tag 0, which no request has. */
void lines_disown(struct box *box);

/* Whether the lines are idle with nothing waiting; and how long they have to stay idle from `box->now_us`
 * on, which the first sets, until the gap is over. */
bool lines_are_idle(struct box *box);
uint32_t lines_gap_left(const struct box *box);

/* Plays the loaded sequence and answers; the caller has checked that there is one and that the lines are
 * ready. */
void lines_play(struct box *box, uint8_t tag, uint32_t repeats);

/* Whether a sequence plays; and an end to it if one does. Both first take note of one that is over. */
bool lines_play_on(struct box *box);
void lines_stop(struct box *box);

/* What happens by the clock; and whether there is a box time at which lines_poll() will next have something
 * to do, and which. */
void lines_poll(struct box *box);
bool lines_next(struct box *box, uint64_t *next);
