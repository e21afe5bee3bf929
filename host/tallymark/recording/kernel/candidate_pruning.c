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

/* Cells are what a line is in a segment; those of a segment lie side by side, in the order of its lines.
 * start: of each segment, its first cell; line: of each cell; place, loose: of each line in the log. */
struct sweep {
    int count;
    int segments;
    const int *first;
    const int *last;
    const double *offset;
    double down;
    double back;
    double back_pace;
    double *score;
    double *plain;
    size_t *start;
    int *line;
    int *place;
    int *loose;
    double *best;
    double *above;
    int *queue;
    double widest;
};

static inline double larger(double a, double b)
{
    return a > b ? a : b;
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
    double none = larger(w->r->extra[t->seen_code[j]], w->r->unknown[t->seen_code[j]]);
    double low = t->from[j] - offset, high = t->to[j] - offset, made = 0, missed = 1;
    double flat = (1 - w->r->wide) / (2 * w->r->core);
    int p = *place < 0 ? place_at(w, 0, low) : *place;
    for (; p < t->markers && t->at[p] < low; p++)
        missed *= larger(w->no_event[p], MISSED);
    for (; p < t->markers && t->at[p] < high; p++)
        made += w->event[p] * likely[t->code[p]] * flat;
    *place = p;
    made += of_loose(w, t->seen[j] - offset, likely, loose);
    return missed * (made + none) / none;
}

/* Log likelihood of a segment's events on each of its lines, against none of them having a marker. In
 * `score` a line may also end or begin within the segment, and others explain the rest; that costs a
 * jump. made: room for the likelihoods of a segment; best: for the best of each event. */
static void score_segment(const struct walk *w, const struct sweep *s, int segment, double *made,
                          double *best)
{
    int j = segment * w->l->segment, length = w->t->events - j;
    length = length < w->l->segment ? length : w->l->segment;
    double jump = exp(-s->down), *of_line = made;
    for (int n = 0; n < length; n++)
        best[n] = 1;
    for (size_t at = s->start[segment]; at < s->start[segment + 1]; at++, of_line += length) {
        int line = s->line[at];
        for (int n = 0; n < length; n++) {
            of_line[n] = likelihood(w, s->offset[line], j + n, &s->place[line], &s->loose[line]);
            best[n] = larger(best[n], of_line[n]);
        }
    }
    of_line = made;
    for (size_t at = s->start[segment]; at < s->start[segment + 1]; at++, of_line += length) {
        double product = 1, of_best = 1, first = 1, first_part = 0, last_part = 0;
        for (int n = 0; n < length; n++) {
            double here = of_line[n];
            product *= here;
            of_best *= best[n];
            first *= here / best[n];
            first_part = larger(first_part, first);
            last_part = larger(last_part, 1) * here / best[n];
        }
        double part = larger(first_part, last_part) * of_best * jump;
        s->plain[at] = log(product);
        s->score[at] = part > product ? log(part) : s->plain[at];
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
        for (size_t at = s->start[segment]; at < s->start[segment + 1]; at++) {
            double factor = log(anchor_factor(t, anchor, w->l->offset[s->line[at]]));
            s->plain[at] += factor;
            s->score[at] += factor;
        }
    }
}

/* Log time never runs back, but for inserted samples: those cost by their number. Of each line, the best
 * that lines nearer than the widest interval of the log give it. */
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
            s->above[line] = s->best[from] - (here - step * s->offset[from]) * s->back_pace - s->back;
        }
        if (s->first[line] > segment || s->last[line] < segment)
            continue;
        while (head < tail) {
            int from = s->queue[tail - 1];
            if (s->best[from] - (here - step * s->offset[from]) * s->back_pace > s->best[line])
                break;
            tail--;
        }
        s->queue[tail++] = line;
    }
}

/* One way through the segments: of each line the best score of a path that ends there. path: of each
 * cell, or NULL. Returns the best of all. */
static double sweep_over(const struct sweep *s, int step, const double *score, double *path)
{
    double *reach = s->best, best = -INFINITY;
    for (int line = 0; line < s->count; line++)
        reach[line] = 0;
    for (int n = 0; n < s->segments; n++) {
        int segment = step > 0 ? n : s->segments - 1 - n;
        size_t at = step > 0 ? s->start[segment + 1] : s->start[segment];
        double jump = -INFINITY;
        reach_back(s, segment, step);
        for (int k = 0; k < s->count; k++) {
            int line = step > 0 ? s->count - 1 - k : k;
            int here = s->first[line] <= segment && segment <= s->last[line];
            double was = reach[line];
            reach[line] = larger(larger(was, jump - s->down), s->above[line]);
            if (!here)
                continue;
            jump = larger(jump, was);
            at -= step > 0;
            reach[line] += score[at];
            best = larger(best, reach[line]);
            if (path)
                path[at] = reach[line];
            at += step < 0;
        }
    }
    return best;
}

/* Sets the cells of each segment in place. Returns 0 without memory. */
static int make_cells(struct sweep *s)
{
    size_t n = (size_t)s->segments + 2;
    size_t *next = calloc(n, sizeof *next);
    s->start = next ? calloc(n, sizeof *s->start) : NULL;
    for (int line = 0; line < s->count && s->start; line++)
        for (int segment = s->first[line]; segment <= s->last[line]; segment++)
            s->start[segment + 1]++;
    for (int segment = 0; segment < s->segments && s->start; segment++)
        next[segment + 1] = s->start[segment + 1] += s->start[segment];
    s->line = s->start ? malloc((s->start[s->segments] + 1) * sizeof *s->line) : NULL;
    for (int line = 0; line < s->count && s->line; line++)
        for (int segment = s->first[line]; segment <= s->last[line]; segment++)
            s->line[next[segment]++] = line;
    free(next);
    return s->line != NULL;
}

/* Gives each line the segments from the first to the last in which a path through it is no more than
 * `slack` worse than the best. there, back: of the cells. */
static void keep_the_good(const struct sweep *s, const double *there, const double *back, double least,
                          int *first, int *last)
{
    for (int line = 0; line < s->count; line++) {
        s->place[line] = last[line] + 1;
        s->loose[line] = first[line] - 1;
    }
    for (int segment = 0; segment < s->segments; segment++)
        for (size_t at = s->start[segment]; at < s->start[segment + 1]; at++) {
            int line = s->line[at];
            if (there[at] + back[at] - s->score[at] < least)
                continue;
            s->place[line] = segment < s->place[line] ? segment : s->place[line];
            s->loose[line] = segment;
        }
    for (int line = 0; line < s->count; line++) {
        first[line] = s->place[line];
        last[line] = s->loose[line];
    }
}

int narrow(const struct trains *t, const struct lines *l, const struct rates *r, double slack,
           int *first, int *last)
{
    struct walk w = {.t = t, .l = l, .r = r};
    struct sweep s = {.count = l->count, .first = first, .last = last};
    size_t n = (size_t)l->count + 1;
    double pace = t->events / (t->end - t->start);
    /* Nats: no more than a jump costs. */
    s.offset = l->offset;
    s.down = log(larger(4 * r->size[0] * pace / (r->jump * r->cell), 1));
    s.segments = (t->events + l->segment - 1) / l->segment;
    for (int i = 1; i < t->markers; i++)
        s.widest = larger(s.widest, MOST_AGAIN * (t->at[i] - t->at[i - 1]));
    for (int line = 0; line < l->count; line++) {
        first[line] = l->first[line] > 0 ? l->first[line] : 0;
        last[line] = l->last[line] < s.segments - 1 ? l->last[line] : s.segments - 1;
    }
    s.best = malloc(n * sizeof *s.best);
    s.above = malloc(n * sizeof *s.above);
    s.queue = malloc(n * sizeof *s.queue);
    s.place = malloc(n * sizeof *s.place);
    s.loose = calloc(n, sizeof *s.loose);
    w.event = malloc(((size_t)t->markers + 1) * sizeof *w.event);
    w.no_event = malloc(((size_t)t->markers + 1) * sizeof *w.no_event);
    size_t cells = make_cells(&s) ? s.start[s.segments] + 1 : 1;
    double *there = malloc(cells * sizeof *there), *back = malloc(cells * sizeof *back);
    double *made = malloc((n + 1) * (size_t)l->segment * sizeof *made);
    s.score = malloc(cells * sizeof *s.score);
    s.plain = malloc(cells * sizeof *s.plain);
    int fine = s.line && s.best && s.above && s.queue && s.place && s.loose && w.event && w.no_event &&
               there && back && made && s.score && s.plain;
    if (fine) {
        for (int i = 0; i < t->markers; i++) {
            w.event[i] = (1 - t->hidden[i]) * (1 - r->missed);
            w.no_event[i] = 1 - w.event[i];
        }
        for (int line = 0; line < l->count; line++)
            s.place[line] = -1;
        for (int segment = 0; segment < s.segments; segment++)
            score_segment(&w, &s, segment, made, made + n * (size_t)l->segment);
        hold_to_anchors(&w, &s);
        /* A path that is held against others pays for all markers that come again with what was inserted:
         * else one would run back over and over, to explain what is none of the log's. */
        s.back = s.down + log(larger(r->back_size / (4 * r->size[0] * r->back), 1));
        s.back_pace = 1 / r->back_size - t->markers / (t->at[t->markers - 1] - t->at[0] + 1) * log(r->again);
        double best = sweep_over(&s, 1, s.plain, NULL);
        s.back = s.down;
        s.back_pace = 1 / r->back_size;
        sweep_over(&s, 1, s.score, there);
        sweep_over(&s, -1, s.score, back);
        keep_the_good(&s, there, back, best - slack, first, last);
    }
    void *all[] = {s.start, s.line, s.best, s.above, s.queue, s.place, s.loose, s.score, s.plain,
                   w.event, w.no_event, there, back, made};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        free(all[i]);
    return fine ? 0 : -1;
}
