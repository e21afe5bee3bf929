/* Which lines can matter where: a coarse walk from segment to segment that gives each line more than
 * its due, so that what it leaves out has next to no probability. */
#include "kernel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "path_internal.h"

#define MISSED 0.5 /* a marker without an event: a deaf stretch makes it cheap */

struct sweep {
    int count;
    const int *first;
    const int *last;
    const double *offset;
    double down;
    double back_size;
    double *score;
    size_t *start;
    double *best;
    double *above;
    int *queue;
    double widest;
};

static double *score_of(const struct sweep *s, int line, int segment)
{
    return s->score + s->start[line] + (size_t)(segment - s->first[line]);
}

/* What markers without a box time add to the density of an event; `loose`: the first near it. */
static double loose_density(const struct walk *w, double here, const double *likely, int *loose)
{
    const struct trains *t = w->t;
    double made = 0;
    while (*loose < t->loose && t->loose_at[*loose] < here - t->loose_reach)
        ++*loose;
    for (int i = *loose; i < t->loose && t->loose_at[i] <= here + t->loose_reach; i++)
        made += w->r->loose_there * likely[t->loose_code[i]] / (2 * t->loose_reach);
    return made;
}

/* Log likelihood of a segment's events on each of its lines, against none of them having a marker. */
static void score_lines(const struct walk *w, const struct sweep *s)
{
    const struct trains *t = w->t;
    double flat = (1 - w->r->wide) / (2 * w->r->core);
    for (int line = 0; line < s->count; line++) {
        double offset = w->l->offset[line];
        int place = -1, loose = 0;
        for (int segment = s->first[line]; segment <= s->last[line]; segment++) {
            int j = segment * w->l->segment, end = j + w->l->segment;
            double product = 1;
            for (; j < end && j < t->events; j++) {
                const double *likely = w->r->confusion + 256 * t->seen_code[j];
                double none = fmax(w->r->extra[t->seen_code[j]], w->r->unknown[t->seen_code[j]]);
                double low = t->from[j] - offset, high = t->to[j] - offset, made = 0;
                if (place < 0)
                    place = place_at(w, 0, low);
                for (; place < t->markers && t->at[place] < low; place++)
                    product *= fmax(w->no_event[place], MISSED);
                for (; place < t->markers && t->at[place] < high; place++)
                    made += w->event[place] * likely[t->code[place]] * flat;
                made += loose_density(w, t->seen[j] - offset, likely, &loose);
                product *= (made + none) / none;
            }
            *score_of(s, line, segment) = log(product);
        }
    }
}

/* Lines that an anchor rules out, in the segment in which it lies. */
static void hold_to_anchors(const struct walk *w, const struct sweep *s)
{
    const struct trains *t = w->t;
    for (int anchor = 0, j = 0; anchor < t->anchors; anchor++) {
        while (j + 1 < t->events && t->seen[j + 1] <= t->anchor_at[anchor])
            j++;
        int segment = j / w->l->segment;
        for (int line = 0; line < s->count; line++)
            if (s->first[line] <= segment && segment <= s->last[line])
                *score_of(s, line, segment) += log(anchor_factor(t, anchor, w->l->offset[line]));
    }
}

/* Log time never runs back, but for inserted samples: those cost by their number, and no marker lies
 * between. Of each line, the best that lines nearer than the widest interval of the log give it. */
static void reach_back(const struct sweep *s, int segment, int step)
{
    int head = 0, tail = 0;
    for (int k = 0; k < s->count; k++) {
        int line = step > 0 ? k : s->count - 1 - k;
        double here = step * s->offset[line];
        while (head < tail && here - step * s->offset[s->queue[head]] > s->widest)
            head++;
        s->above[line] = -INFINITY;
        if (head < tail) {
            int from = s->queue[head];
            s->above[line] = s->best[from] - (here - step * s->offset[from]) / s->back_size - s->down;
        }
        if (s->first[line] > segment || s->last[line] < segment)
            continue;
        while (head < tail) {
            int from = s->queue[tail - 1];
            if (s->best[from] - (here - step * s->offset[from]) / s->back_size > s->best[line])
                break;
            tail--;
        }
        s->queue[tail++] = line;
    }
}

/* One way through the segments: of each line the best score of a path that ends there. */
static void sweep_over(const struct sweep *s, int segments, int step, const double *score, double *path)
{
    double *reach = s->best;
    for (int line = 0; line < s->count; line++)
        reach[line] = 0;
    for (int n = 0; n < segments; n++) {
        int segment = step > 0 ? n : segments - 1 - n;
        double jump = -INFINITY;
        reach_back(s, segment, step);
        for (int k = 0; k < s->count; k++) {
            int line = step > 0 ? s->count - 1 - k : k;
            int here = s->first[line] <= segment && segment <= s->last[line];
            double was = here ? reach[line] : -INFINITY;
            reach[line] = fmax(fmax(reach[line], jump - s->down), s->above[line]);
            jump = fmax(jump, was);
            if (here) {
                size_t at = s->start[line] + (size_t)(segment - s->first[line]);
                reach[line] += score[at];
                path[at] = reach[line];
            }
        }
    }
}

int narrow(const struct trains *t, const struct lines *l, const struct rates *r, double slack,
           int *first, int *last)
{
    struct walk w = {.t = t, .l = l, .r = r};
    struct sweep s = {.count = l->count, .first = first, .last = last};
    size_t n = (size_t)l->count, cells = 0;
    double pace = t->events / (t->end - t->start);
    /* Nats: no more than a jump costs. */
    s.offset = l->offset;
    s.back_size = r->back_size;
    s.down = log(fmax(4 * r->size[0] * pace / (r->jump * r->cell), 1));
    int segments = (t->events + l->segment - 1) / l->segment;
    s.start = malloc((n + 1) * sizeof *s.start);
    s.best = malloc((n + 1) * sizeof *s.best);
    s.above = malloc((n + 1) * sizeof *s.above);
    s.queue = malloc((n + 1) * sizeof *s.queue);
    for (int i = 1; i < t->markers; i++)
        s.widest = fmax(s.widest, t->at[i] - t->at[i - 1]);
    w.event = malloc(((size_t)t->markers + 1) * sizeof *w.event);
    w.no_event = malloc(((size_t)t->markers + 1) * sizeof *w.no_event);
    for (int line = 0; line < l->count && s.start; line++) {
        first[line] = l->first[line] > 0 ? l->first[line] : 0;
        last[line] = l->last[line] < segments - 1 ? l->last[line] : segments - 1;
        s.start[line] = cells;
        cells += last[line] >= first[line] ? (size_t)(last[line] - first[line] + 1) : 0;
    }
    double *there = malloc((cells + 1) * sizeof *there), *back = malloc((cells + 1) * sizeof *back);
    s.score = malloc((cells + 1) * sizeof *s.score);
    int fine = s.start && s.best && s.above && s.queue && w.event && w.no_event && there && back && s.score;
    if (fine) {
        for (int i = 0; i < t->markers; i++) {
            w.event[i] = (1 - t->hidden[i]) * (1 - r->missed);
            w.no_event[i] = 1 - w.event[i];
        }
        score_lines(&w, &s);
        hold_to_anchors(&w, &s);
        sweep_over(&s, segments, 1, s.score, there);
        sweep_over(&s, segments, -1, s.score, back);
        double best = -INFINITY;
        for (size_t at = 0; at < cells; at++) {
            there[at] += back[at] - s.score[at];
            best = there[at] > best ? there[at] : best;
        }
        for (int line = 0; line < s.count; line++) {
            int from = last[line] + 1, to = first[line] - 1;
            for (int segment = first[line]; segment <= last[line]; segment++) {
                if (there[s.start[line] + (size_t)(segment - first[line])] < best - slack)
                    continue;
                from = segment < from ? segment : from;
                to = segment;
            }
            first[line] = from;
            last[line] = to;
        }
    }
    void *all[] = {s.start, s.best, s.above, s.queue, s.score, w.event, w.no_event, there, back};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        free(all[i]);
    return fine ? 0 : -1;
}
