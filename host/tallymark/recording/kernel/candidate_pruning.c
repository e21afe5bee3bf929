/* Which lines can matter where: a coarse walk from segment to segment that gives each line more than
 * its due, and is held against a path that gets no more than its due, so that what it leaves out has
 * next to no probability. */
#include "kernel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "emission.h"
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
    double *plain;
    size_t *start;
    double *best;
    double *above;
    int *queue;
    double widest;
};

static size_t cell_of(const struct sweep *s, int line, int segment)
{
    return s->start[line] + (size_t)(segment - s->first[line]);
}

/* What markers without a box time add to the density of an event; `loose`: the first near it. */
static double of_loose(const struct walk *w, double here, const double *likely, int *loose)
{
    const struct trains *t = w->t;
    double made = 0;
    while (*loose < t->loose && t->loose_at[*loose] < here - t->loose_reach)
        ++*loose;
    for (int i = *loose; i < t->loose && t->loose_at[i] <= here + t->loose_reach; i++)
        made += w->r->loose_there * likely[t->loose_code[i]] * loose_density(t, here - t->loose_at[i]);
    return made;
}

/* Likelihood of event j on a line, against its having no marker there. place, loose: of the line in the
 * log, -1 and 0 at first. */
static double likelihood(const struct walk *w, double offset, int j, int *place, int *loose)
{
    const struct trains *t = w->t;
    const double *likely = w->r->confusion + 256 * t->seen_code[j];
    double none = fmax(w->r->extra[t->seen_code[j]], w->r->unknown[t->seen_code[j]]);
    double low = t->from[j] - offset, high = t->to[j] - offset, made = 0, missed = 1;
    double flat = (1 - w->r->wide) / (2 * w->r->core);
    int p = *place < 0 ? place_at(w, 0, low) : *place;
    for (; p < t->markers && t->at[p] < low; p++)
        missed *= fmax(w->no_event[p], MISSED);
    for (; p < t->markers && t->at[p] < high; p++)
        made += w->event[p] * likely[t->code[p]] * flat;
    *place = p;
    made += of_loose(w, t->seen[j] - offset, likely, loose);
    return missed * (made + none) / none;
}

/* Of each event the best likelihood that a line gives it. */
static void find_best(const struct walk *w, const struct sweep *s, double *best)
{
    int length = w->l->segment;
    for (int j = 0; j < w->t->events; j++)
        best[j] = 1;
    for (int line = 0; line < s->count; line++) {
        int place = -1, loose = 0, end = (s->last[line] + 1) * length;
        for (int j = s->first[line] * length; j < end && j < w->t->events; j++)
            best[j] = fmax(best[j], likelihood(w, w->l->offset[line], j, &place, &loose));
    }
}

/* Log likelihood of a segment's events on each of its lines, against none of them having a marker. In
 * `score` a line may also end or begin within the segment, and others explain the rest; that costs a
 * jump. */
static void score_lines(const struct walk *w, const struct sweep *s, const double *best)
{
    double jump = exp(-s->down);
    for (int line = 0; line < s->count; line++) {
        int place = -1, loose = 0;
        for (int segment = s->first[line]; segment <= s->last[line]; segment++) {
            int j = segment * w->l->segment, end = j + w->l->segment;
            double product = 1, of_best = 1, first = 1, first_part = 0, last_part = 0;
            for (; j < end && j < w->t->events; j++) {
                double here = likelihood(w, w->l->offset[line], j, &place, &loose);
                product *= here;
                of_best *= best[j];
                first *= here / best[j];
                first_part = fmax(first_part, first);
                last_part = fmax(last_part, 1) * here / best[j];
            }
            double part = fmax(first_part, last_part) * of_best * jump;
            s->plain[cell_of(s, line, segment)] = log(product);
            s->score[cell_of(s, line, segment)] = log(fmax(product, part));
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
        for (int line = 0; line < s->count; line++) {
            if (s->first[line] > segment || segment > s->last[line])
                continue;
            double factor = log(anchor_factor(t, anchor, w->l->offset[line]));
            s->plain[cell_of(s, line, segment)] += factor;
            s->score[cell_of(s, line, segment)] += factor;
        }
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
                size_t at = cell_of(s, line, segment);
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
        s.widest = fmax(s.widest, MOST_AGAIN * (t->at[i] - t->at[i - 1]));
    w.event = malloc(((size_t)t->markers + 1) * sizeof *w.event);
    w.no_event = malloc(((size_t)t->markers + 1) * sizeof *w.no_event);
    for (int line = 0; line < l->count && s.start; line++) {
        first[line] = l->first[line] > 0 ? l->first[line] : 0;
        last[line] = l->last[line] < segments - 1 ? l->last[line] : segments - 1;
        s.start[line] = cells;
        cells += last[line] >= first[line] ? (size_t)(last[line] - first[line] + 1) : 0;
    }
    double *there = malloc((cells + 1) * sizeof *there), *back = malloc((cells + 1) * sizeof *back);
    double *best_of = malloc(((size_t)t->events + 1) * sizeof *best_of);
    s.score = malloc((cells + 1) * sizeof *s.score);
    s.plain = malloc((cells + 1) * sizeof *s.plain);
    int fine = best_of && s.start && s.best && s.above && s.queue && w.event && w.no_event && there &&
               back && s.score && s.plain;
    if (fine) {
        for (int i = 0; i < t->markers; i++) {
            w.event[i] = (1 - t->hidden[i]) * (1 - r->missed);
            w.no_event[i] = 1 - w.event[i];
        }
        find_best(&w, &s, best_of);
        score_lines(&w, &s, best_of);
        hold_to_anchors(&w, &s);
        double best = -INFINITY;
        sweep_over(&s, segments, 1, s.plain, there);
        for (size_t at = 0; at < cells; at++)
            best = fmax(best, there[at]);
        sweep_over(&s, segments, 1, s.score, there);
        sweep_over(&s, segments, -1, s.score, back);
        for (size_t at = 0; at < cells; at++)
            there[at] += back[at] - s.score[at];
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
    void *all[] = {s.start, s.best, s.above, s.queue, s.score, s.plain, w.event, w.no_event, there, back,
                   best_of};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        free(all[i]);
    return fine ? 0 : -1;
}
