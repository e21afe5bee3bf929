/* The walk there and back. The way there sets the steps and keeps the states at the start of each
 * block; on the way back a block's states are made again. */
#include "path_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define BLOCK (1u << 20) /* states kept at a time */
#define UNKNOWN_AT_START 0.001

struct block {
    size_t first;
    int segment;
    mass *states;
};

struct plan {
    struct step *steps;
    size_t count, room;
    struct block *blocks;
    size_t block_count, block_room;
};

static void *grown(void *old, size_t count, size_t *room, size_t size)
{
    if (count < *room)
        return old;
    size_t more = *room ? 2 * *room : 4096;
    void *bigger = realloc(old, more * size);
    if (bigger)
        *room = more;
    else
        free(old);
    return bigger;
}

static int new_active(struct active *a, int lines)
{
    size_t n = (size_t)lines + 1;
    a->id = malloc(n * sizeof *a->id);
    a->place = calloc(n, sizeof *a->place);
    a->loose = calloc(n, sizeof *a->loose);
    a->offset = malloc(n * sizeof *a->offset);
    a->heard = malloc(n * sizeof *a->heard);
    a->deaf = malloc(n * sizeof *a->deaf);
    a->strayed = malloc(n * sizeof *a->strayed);
    a->decay = malloc(n * SCALES * sizeof *a->decay);
    a->back = malloc(n * sizeof *a->back);
    return a->id && a->place && a->loose && a->offset && a->heard && a->deaf && a->strayed &&
           a->decay && a->back;
}

static void free_active(struct active *a)
{
    free(a->id);
    free(a->place);
    free(a->loose);
    free(a->offset);
    free(a->heard);
    free(a->deaf);
    free(a->strayed);
    free(a->decay);
    free(a->back);
}

static int new_walk(struct walk *w)
{
    size_t n = (size_t)w->l->count + 1, m = (size_t)w->t->markers + (size_t)w->t->loose + 2;
    size_t events = (size_t)w->t->events + 1;
    mass **arrays[] = {&w->into, &w->out, &w->down, &w->target, &w->reached, &w->source};
    int fine = 1;
    for (size_t i = 0; i < sizeof arrays / sizeof *arrays; i++)
        fine &= (*arrays[i] = malloc(n * sizeof(mass))) != NULL;
    w->missed = malloc(n * sizeof *w->missed);
    w->before = malloc(n * sizeof *w->before);
    w->heir = malloc(n * sizeof *w->heir);
    w->event = malloc(m * sizeof *w->event);
    w->no_event = malloc(m * sizeof *w->no_event);
    w->here = calloc(m, sizeof *w->here);
    w->touched = malloc(m * sizeof *w->touched);
    w->gap = calloc(m, sizeof *w->gap);
    w->outside = calloc(m, sizeof *w->outside);
    w->lost = calloc(m, sizeof *w->lost);
    w->event_second = malloc(events * sizeof *w->event_second);
    w->event_p_second = calloc(events, sizeof *w->event_p_second);
    fine = fine && w->missed && w->before && w->heir && w->event && w->no_event && w->here && w->touched &&
           w->gap && w->outside && w->lost && w->event_second && w->event_p_second;
    if (!fine)
        return 0;
    for (int i = 0; i < w->t->markers; i++) {
        w->event[i] = (1 - w->t->hidden[i]) * (1 - w->r->missed);
        w->no_event[i] = 1 - w->event[i];
    }
    for (int i = 0; i < DEAF_POWERS; i++)
        w->deaf_power[i] = pow(w->r->deaf_missed, i);
    for (int s = 0; s < SCALES; s++)
        w->per_scale[s] = (1 - w->r->cut) / (SCALES * w->r->size[s]);
    w->per_cut = w->r->cut / (w->r->cell * fmax(w->l->count, 1));
    for (int i = 0; i < MOST_AGAIN; i++)
        w->again[i] = pow(w->r->again, i);
    w->stray = fmin(w->r->lost * (w->t->end - w->t->start) / (w->t->events + 1), 1);
    w->per_back = w->r->back / w->r->back_size;
    return 1;
}

static void free_walk(struct walk *w)
{
    void *all[] = {w->into, w->out, w->down, w->target, w->missed, w->reached, w->source,
                   w->before, w->heir, w->event,
                   w->no_event, w->here, w->touched, w->gap, w->outside, w->lost, w->event_second,
                   w->event_p_second};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        free(all[i]);
}

/* ------------------------------------------------------------------------------- there */

static size_t save(const struct active *a, mass *states)
{
    size_t n = (size_t)a->count;
    memcpy(states, a->heard, n * sizeof(mass));
    memcpy(states + n, a->deaf, n * sizeof(mass));
    memcpy(states + 2 * n, a->strayed, n * sizeof(mass));
    states[3 * n] = a->unknown;
    return 3 * n + 1;
}

static int keep_block(struct plan *p, const struct active *a)
{
    p->blocks = grown(p->blocks, p->block_count, &p->block_room, sizeof *p->blocks);
    if (!p->blocks)
        return 0;
    struct block *b = &p->blocks[p->block_count++];
    size_t n = (size_t)a->count;
    *b = (struct block){p->count, a->segment, malloc((3 * n + 1) * sizeof(mass))};
    if (!b->states)
        return 0;
    save(a, b->states);
    return 1;
}

static double end_of(const struct walk *w, const struct step *step)
{
    if (step->kind == EVENT)
        return w->t->to[step->which];
    return step->kind == PAUSE ? w->t->pause_to[step->which] : step->x;
}

struct way {
    struct walk *w;
    struct active *a;
    struct plan *p;
    double x;
    double most;
    size_t kept;
};

/* Makes one step and notes it. Returns 0, -1 or -2 as path_sum does. */
static int go(struct way *y, enum kind kind, double x, double time, int which)
{
    struct plan *p = y->p;
    if (y->kept > BLOCK || !p->block_count) {
        y->kept = 0;
        if (!keep_block(p, y->a))
            return -1;
    }
    y->kept += 3 * (size_t)y->a->count + 1;
    p->steps = grown(p->steps, p->count, &p->room, sizeof *p->steps);
    if (!p->steps)
        return -1;
    struct step *step = &p->steps[p->count++];
    *step = (struct step){y->x, x > y->x ? x : y->x, time, which, kind};
    mass scale = forward(y->w, y->a, step);
    if (!(scale > 0))
        return -2;
    y->w->v->evidence += (double)logl(scale);
    y->x = end_of(y->w, step);
    return y->w->work > y->most ? -2 : 0;
}

/* Most markers that a line at hand passes until x. */
static int most_passed(const struct way *y, double x)
{
    const struct trains *t = y->w->t;
    int most = 0;
    for (int k = 0; k < y->a->count; k++) {
        int p = y->a->place[k], last = p + most;
        while (last < t->markers && t->at[last] + y->a->offset[k] < x)
            last++;
        most = last - p > most ? last - p : most;
        if (most > 3)
            break;
    }
    return most;
}

/* The time until x, with the places where the line may change: one is enough while no marker lies
 * there. */
static int idle_until(struct way *y, double x)
{
    double from = y->x, time = x - from;
    if (time <= 0)
        return 0;
    int nodes = most_passed(y, x) ? (y->a->count < 2000 ? 7 : 2) : 1, done = 0;
    for (int node = 0; node < nodes && !done; node++) {
        double where = nodes > 1 ? from + time * node / (nodes - 1) : from;
        done = go(y, NODE, where, time / nodes, 0);
    }
    return done;
}

static double since_event(const struct trains *t, int j)
{
    return fmax(t->seen[j] - (j ? t->seen[j - 1] : t->start), 0);
}

static int there(struct way *y)
{
    const struct trains *t = y->w->t;
    int pause = 0, anchor = 0, done = 0;
    for (int j = 0; j <= t->events && !done; j++) {
        double x = j < t->events ? t->from[j] : t->end;
        while (anchor < t->anchors && (t->anchor_at[anchor] < x || j == t->events) && !done) {
            done = idle_until(y, t->anchor_at[anchor]);
            if (!done)
                done = go(y, ANCHOR, t->anchor_at[anchor], 0, anchor);
            anchor++;
        }
        while (pause < t->pauses && t->pause_from[pause] < x && !done) {
            done = idle_until(y, t->pause_from[pause]);
            if (!done)
                done = go(y, PAUSE, t->pause_from[pause], 0, pause);
            pause++;
        }
        if (j && j < t->events && j % y->w->l->segment == 0 && !done)
            done = go(y, SEGMENT, y->x, 0, j / y->w->l->segment);
        if (!done)
            done = idle_until(y, x);
        if (!done)
            done = j < t->events ? go(y, EVENT, x, since_event(t, j), j) : go(y, END, x, 0, 0);
    }
    return done;
}

/* -------------------------------------------------------------------------------- back */

static void load(struct active *a, const mass *states)
{
    size_t n = (size_t)a->count;
    memcpy(a->heard, states, n * sizeof(mass));
    memcpy(a->deaf, states + n, n * sizeof(mass));
    memcpy(a->strayed, states + 2 * n, n * sizeof(mass));
    a->unknown = states[3 * n];
}

static void find_places(const struct walk *w, struct active *a, double x)
{
    for (int k = 0; k < a->count; k++)
        a->place[k] = place_at(w, a->place[k], x - a->offset[k]);
}

/* Steps first to before end, whose start states are made again and kept in `kept`. */
static int back_over(struct walk *w, struct active *a, const struct plan *p, const struct block *block,
                     size_t end, struct later *b, int *later_id, mass *kept)
{
    size_t steps = end - block->first, used = 0;
    size_t *start = malloc((steps + 1) * sizeof *start);
    if (!start)
        return -1;
    set_lines(w, a, block->segment);
    load(a, block->states);
    find_places(w, a, p->steps[block->first].before);
    for (size_t s = 0; s < steps; s++) {
        start[s] = used;
        used += save(a, kept + used);
        forward(w, a, &p->steps[block->first + s]);
    }
    for (size_t s = steps; s-- > 0;) {
        const struct step *step = &p->steps[block->first + s];
        if (step->kind == SEGMENT) {
            w->later_count = a->count;
            w->later_id = later_id;
            memcpy(later_id, a->id, (size_t)a->count * sizeof *later_id);
            set_lines(w, a, step->which - 1);
        }
        load(a, kept + start[s]);
        backward(w, a, step, b);
    }
    free(start);
    return 0;
}

static int back(struct walk *w, struct active *a, const struct plan *p)
{
    size_t n = (size_t)w->l->count + 1, end = p->count;
    struct later b = {malloc(n * sizeof(mass)), malloc(n * sizeof(mass)), malloc(n * sizeof(mass)), 1};
    mass *kept = malloc((BLOCK + 8 * n + 64) * sizeof *kept);
    int *later_id = malloc(n * sizeof *later_id);
    int fine = b.heard && b.deaf && b.strayed && later_id && kept;
    int done = fine ? 0 : -1;
    for (int k = 0; k < a->count && !done; k++) {
        w->outside[place_at(w, a->place[k], w->t->end - a->offset[k])] +=
            (double)(a->heard[k] + a->deaf[k]);
        b.heard[k] = b.deaf[k] = b.strayed[k] = 1;
    }
    trace_end(w, a);
    for (size_t block = p->block_count; block-- > 0 && !done; end = p->blocks[block].first)
        done = back_over(w, a, p, &p->blocks[block], end, &b, later_id, kept);
    if (!done) {
        mass all = a->unknown * b.unknown;
        for (int k = 0; k < a->count; k++)
            all += a->heard[k] * b.heard[k];
        find_places(w, a, w->t->start);
        for (int k = 0; k < a->count; k++) {
            w->outside[0] += (double)(a->heard[k] * b.heard[k] / all);
            w->outside[a->place[k]] -= (double)(a->heard[k] * b.heard[k] / all);
        }
        w->lost[0] += (double)(a->unknown * b.unknown / all);
    }
    free(b.heard);
    free(b.deaf);
    free(b.strayed);
    free(later_id);
    free(kept);
    return done;
}

static void add_up(const struct walk *w)
{
    double gap = 0, outside = 0, lost = 0;
    for (int i = 0; i < w->t->markers; i++) {
        w->v->p_gap[i] = (gap += w->gap[i]) > 0 ? gap : 0;
        w->v->p_outside[i] = (outside += w->outside[i]) > 0 ? outside : 0;
        w->v->p_unknown[i] = (lost += w->lost[i]) > 0 ? lost : 0;
    }
}

int path_sum(const struct trains *t, const struct lines *l, const struct rates *r, double most,
             struct verdicts *v)
{
    struct walk w = {.t = t, .l = l, .r = r, .v = v};
    struct active a = {0};
    struct plan p = {0};
    struct way y = {&w, &a, &p, t->start, most, 0};
    int done = new_walk(&w) && new_active(&a, l->count) ? 0 : -1;
    if (!done) {
        set_lines(&w, &a, 0);
        find_places(&w, &a, t->start);
        for (int k = 0; k < a.count; k++)
            a.heard[k] = (1 - UNKNOWN_AT_START) / a.count;
        a.unknown = a.count ? UNKNOWN_AT_START : 1;
        v->evidence = 0;
        done = there(&y);
    }
    if (!done)
        done = back(&w, &a, &p);
    if (!done)
        add_up(&w);
    if (!done && w.nothing_left)
        done = -2;
    v->work = w.work;
    for (size_t block = 0; block < p.block_count; block++)
        free(p.blocks[block].states);
    free(p.blocks);
    free(p.steps);
    free_active(&a);
    free_walk(&w);
    return done;
}
