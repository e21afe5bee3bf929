/* The hidden path: along recorded time, the line (an offset) that holds, with its deaf twin while
 * no marker comes through, and one state for an unknown place. Forward and backward sums over all
 * paths; the forward states of one block of steps at a time are kept.
 *
 * A step goes on to a time `x` and does one thing there. Markers that a line passes on the way
 * without an event are missed. What is at a line's place in the log follows from x alone: the
 * number of markers whose time plus the offset is below x. */
#include "kernel.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "state.h"

/* ------------------------------------------------------------------------------- steps */

/* Goes on to time x: place of line k afterwards; multiplies up the markers passed. */
static inline int pass(const struct walk *w, double offset, int place, double x, double *missed,
                       int *passed)
{
    const double *at = w->t->at;
    double product = 1;
    int p = place, end = w->t->markers;
    double x_here = x - offset;
    while (p < end && at[p] < x_here)
        product *= w->no_event[p++];
    *missed = product;
    *passed = p - place;
    return p;
}

static inline double deaf_power(const struct walk *w, int passed)
{
    return w->deaf_power[passed < DEAF_POWERS ? passed : DEAF_POWERS - 1];
}

static double residual_density(const struct rates *r, double residual)
{
    double off = fabs(residual), flat = 0.92 / (2 * r->core), wide = 0.08 / (2 * r->reach);
    return (off <= r->core ? flat : flat * exp((r->core - off) / r->tail)) + wide;
}

/* Density of event j if no confirmed marker made it: extra, or a loose marker's. */
static double free_density(const struct walk *w, struct active *a, int k, int j)
{
    const struct trains *t = w->t;
    uint8_t code = t->seen_code[j];
    double density = w->r->extra[code];
    if (t->loose) {
        double low = t->seen[j] - a->offset[k] - t->loose_reach;
        int p = a->loose[k];
        while (p > 0 && t->loose_at[p - 1] >= low)
            p--;
        while (p < t->loose && t->loose_at[p] < low)
            p++;
        a->loose[k] = p;
        for (; p < t->loose && t->loose_at[p] <= low + 2 * t->loose_reach; p++)
            density += w->r->loose_there * w->r->confusion[code * 256 + t->loose_code[p]] /
                       (2 * t->loose_reach);
    }
    return density;
}

/* What line k makes of event j: `seen` if a marker in its window made it, `alone` if none did. */
static inline double event_terms(const struct walk *w, struct active *a, int k, int j, int place,
                                 int *after, double *alone)
{
    const struct trains *t = w->t;
    const double *likely = w->r->confusion + 256 * t->seen_code[j];
    double here = t->seen[j] - a->offset[k], end = t->to[j] - a->offset[k];
    double seen = 0, none = 1;
    int p = place;
    for (; p < t->markers && t->at[p] < end; p++) {
        double made = w->event[p] * likely[t->code[p]] * residual_density(w->r, here - t->at[p]);
        seen = seen * w->no_event[p] + none * made;
        none *= w->no_event[p];
    }
    *after = p;
    *alone = none * free_density(w, a, k, j);
    return seen;
}

/* ------------------------------------------------------------------------------ jumps */

/* Jumps turned round: what each line gets from the lines that it may jump to. down: from those with
 * lost samples alone. */
static void jumps_out(const struct walk *w, const struct active *a, const double *to, double *down,
                      double *out)
{
    double sum[SCALES] = {0};
    for (int k = 0; k < a->count; k++) {
        double all = 0;
        for (int s = 0; s < SCALES; s++) {
            sum[s] *= k ? a->decay[SCALES * k + s] : 0;
            all += sum[s] * w->per_scale[s];
            sum[s] += to[k];
        }
        down[k] = out[k] = all;
    }
    double back = 0;
    for (int k = a->count - 2; k >= 0; k--) {
        back = a->place[k] == a->place[k + 1] ? (back + to[k + 1]) * a->back[k + 1] : 0;
        out[k] += back * w->per_back;
    }
}

/* ---------------------------------------------------------------------------- forward */

static double scale_down(struct active *a)
{
    double total = a->entered + a->unknown;
    for (int k = 0; k < a->count; k++)
        total += a->heard[k] + a->deaf[k];
    if (!(total > 0))
        return 0;
    for (int k = 0; k < a->count; k++) {
        a->heard[k] /= total;
        a->deaf[k] /= total;
    }
    a->entered /= total;
    a->unknown /= total;
    return total;
}

static void advance(const struct walk *w, struct active *a, double x)
{
    for (int k = 0; k < a->count; k++) {
        double missed;
        int passed;
        a->place[k] = pass(w, a->offset[k], a->place[k], x, &missed, &passed);
        if (passed) {
            a->heard[k] *= missed;
            a->deaf[k] *= deaf_power(w, passed);
        }
    }
}

static void skip_pause(const struct walk *w, struct active *a, double x)
{
    for (int k = 0; k < a->count; k++)
        a->place[k] = place_at(w, a->place[k], x - a->offset[k]);
}

double forward(struct walk *w, struct active *a, const struct step *step)
{
    const struct rates *r = w->r;
    if (step->kind == SEGMENT) {
        change_lines(w, a, step->which);
        for (int k = 0; k < a->count; k++)
            a->place[k] = place_at(w, 0, step->before - a->offset[k]);
    } else if (step->kind == PAUSE) {
        advance(w, a, step->x);
        skip_pause(w, a, w->t->pause_to[step->which]);
    } else if (step->kind == EVENT) {
        for (int k = 0; k < a->count; k++) {
            double missed, alone;
            int passed, before = a->place[k];
            int place = pass(w, a->offset[k], before, step->x, &missed, &passed), after;
            double seen = event_terms(w, a, k, step->which, place, &after, &alone);
            a->heard[k] *= missed * (seen + alone);
            a->deaf[k] *= deaf_power(w, after - before) * r->extra[w->t->seen_code[step->which]];
            a->place[k] = after;
        }
        a->unknown = (a->entered + a->unknown) * r->unknown[w->t->seen_code[step->which]];
        a->entered = 0;
    } else {
        advance(w, a, step->x);
        if (step->kind == NODE) {
            double all = 0, time = step->time, exit = a->count ? r->found / a->count : 0;
            double stay = stay_rate(r, time);
            lost_into(w, a, a->heard, w->into);
            inserted_into(w, a, a->heard, w->into);
            for (int k = 0; k < a->count; k++) {
                double heard = a->heard[k], deaf = a->deaf[k];
                all += heard;
                a->heard[k] = heard * stay + time * r->jump * r->cell * w->into[k] +
                              deaf * r->deaf_ends + a->unknown * exit;
                a->deaf[k] = deaf * (1 - r->deaf_ends) + heard * time * r->deaf;
            }
            a->unknown *= 1 - (a->count ? r->found : 0);
            a->entered += all * time * r->lost;
        }
    }
    w->work += a->count;
    return scale_down(a);
}

/* ---------------------------------------------------------------------------- backward */

static double unknown_of(const struct active *a, const struct later *b)
{
    return a->entered * b->entered + a->unknown * b->unknown;
}

/* The probability, given everything, that a marker or an event is what the sums say. */
static void credit(int *best, int *second, double *p_best, double *p_second, double *others, int at,
                   int with, double p)
{
    if (p > p_best[at]) {
        others[at] += p_second[at];
        p_second[at] = p_best[at];
        second[at] = best[at];
        p_best[at] = p;
        best[at] = with;
    } else if (p > p_second[at]) {
        others[at] += p_second[at];
        p_second[at] = p;
        second[at] = with;
    } else {
        others[at] += p;
    }
}

static void missed_on_the_way(struct walk *w, int from, int to, double p)
{
    for (int i = from; i < to; i++)
        w->v->p_missed[i] += p;
}

static void touch(struct walk *w, int marker, double p)
{
    if (w->here[marker] == 0)
        w->touched[w->touched_count++] = marker;
    w->here[marker] += p;
}

/* Credits what line k, with probability p in all, makes of event j. Returns the likeliest marker, -1
 * for none. */
static int credit_event(struct walk *w, struct active *a, int k, int j, double p)
{
    const struct trains *t = w->t;
    const double *likely = w->r->confusion + 256 * t->seen_code[j];
    double missed, alone;
    int passed, after, place = pass(w, a->offset[k], a->place[k], t->from[j], &missed, &passed);
    double seen = event_terms(w, a, k, j, place, &after, &alone), all = seen + alone;
    double free_all = free_density(w, a, k, j), extra = w->r->extra[t->seen_code[j]];
    double here = t->seen[j] - a->offset[k], most = p * alone / all * extra / free_all;
    int likeliest = -1;
    missed_on_the_way(w, a->place[k], place, p);
    for (int i = place; i < after; i++) {
        double made = w->event[i] * likely[t->code[i]] * residual_density(w->r, here - t->at[i]);
        double others = alone / all;
        for (int other = place; other < after; other++)
            if (other != i)
                made *= w->no_event[other];
        made *= p / all;
        if (after - place > 1)
            others = fmax(1 - made / p, 0);
        touch(w, i, made);
        w->v->p_missed[i] += p * others;
        if (made > most) {
            most = made;
            likeliest = i;
        }
    }
    w->v->event_extra[j] += p * alone / all * extra / free_all;
    for (int i = a->loose[k]; t->loose && i < t->loose; i++) {
        if (fabs(t->loose_at[i] - here) > t->loose_reach)
            break;
        double made = w->r->loose_there * likely[t->loose_code[i]] / (2 * t->loose_reach);
        made *= p * alone / all / free_all;
        touch(w, t->markers + i, made);
        if (made > most) {
            most = made;
            likeliest = t->markers + i;
        }
    }
    return likeliest;
}

static void settle_event(struct walk *w, int j)
{
    struct verdicts *v = w->v;
    for (int n = 0; n < w->touched_count; n++) {
        int marker = w->touched[n];
        double p = w->here[marker];
        w->here[marker] = 0;
        credit(v->best, v->second, v->p_best, v->p_second, v->p_others, marker, j, p);
        credit(v->event_best, w->event_second, v->event_p, w->event_p_second, v->event_others, j,
               marker, p);
        if (marker < w->t->markers)
            v->seen_as[256 * w->t->seen_code[j] + w->t->code[marker]] += p;
    }
    w->touched_count = 0;
}

static void back_event(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    int j = step->which, traced = -1;
    double extra = w->r->extra[w->t->seen_code[j]], all = 0;
    for (int k = 0; k < a->count; k++) {
        double missed, alone;
        int passed, after, before = place_at(w, a->place[k], step->before - a->offset[k]);
        int place = pass(w, a->offset[k], before, step->x, &missed, &passed);
        double seen = event_terms(w, a, k, j, place, &after, &alone);
        a->place[k] = before;
        b->heard[k] *= missed * (seen + alone);
        b->deaf[k] *= deaf_power(w, after - before) * extra;
        all += a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k];
    }
    b->unknown *= w->r->unknown[w->t->seen_code[j]];
    b->entered = b->unknown;
    all += (a->entered + a->unknown) * b->unknown;
    for (int k = 0; k < a->count; k++) {
        double heard = a->heard[k] * b->heard[k] / all, deaf = a->deaf[k] * b->deaf[k] / all;
        if (heard > NOTHING) {
            int marker = credit_event(w, a, k, j, heard);
            if (k == w->trace_line && !w->trace_deaf)
                traced = marker;
        }
        if (deaf > NOTHING) {
            w->v->event_extra[j] += deaf;
            int after = place_at(w, a->place[k], w->t->to[j] - a->offset[k]);
            missed_on_the_way(w, a->place[k], after, deaf);
        }
    }
    w->v->event_unknown[j] += (a->entered + a->unknown) * b->unknown / all;
    settle_event(w, j);
    w->v->path_line[j] = w->trace_line < 0 ? -1 : a->id[w->trace_line];
    w->v->path_marker[j] = traced;
}

/* An advance, and for a node the transitions behind it. Afterwards b is at the step's start. */
static void back_advance(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    const struct rates *r = w->r;
    double time = step->time, stay = stay_rate(r, time), into_lines = 0, all = 0, jumped = 0;
    double exit = a->count ? r->found / a->count : 0, entered_later = b->entered;
    double jump = time * r->jump * r->cell;
    for (int k = 0; k < a->count; k++) {
        int passed;
        w->before[k] = place_at(w, a->place[k], step->before - a->offset[k]);
        a->place[k] = pass(w, a->offset[k], w->before[k], step->x, &w->missed[k], &passed);
        w->reached[k] = a->heard[k] * w->missed[k];
        w->target[k] = b->heard[k];
        into_lines += b->heard[k];
    }
    if (step->kind == NODE) {
        jumps_out(w, a, w->target, w->down, w->out);
        for (int k = 0; k < a->count; k++) {
            b->heard[k] = w->target[k] * stay + jump * w->out[k] +
                          time * (r->deaf * b->deaf[k] + r->lost * entered_later);
            b->deaf[k] = b->deaf[k] * (1 - r->deaf_ends) + w->target[k] * r->deaf_ends;
            jumped += w->reached[k] * jump * w->out[k];
        }
        b->unknown = b->unknown * (1 - (a->count ? r->found : 0)) + exit * into_lines;
    }
    for (int k = 0; k < a->count; k++) {
        b->heard[k] *= w->missed[k];
        b->deaf[k] *= deaf_power(w, a->place[k] - w->before[k]);
        all += a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k];
    }
    all += unknown_of(a, b);
    for (int k = 0; k < a->count; k++) {
        double p = (a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k]) / all;
        if (p > NOTHING)
            missed_on_the_way(w, w->before[k], a->place[k], p);
        if (step->kind == NODE)
            w->lost[a->place[k]] += (w->reached[k] * time * r->lost * entered_later -
                                     a->unknown * exit * w->target[k]) / all;
    }
    if (step->kind == NODE) {
        jumped /= all;
        if (jumped > NOTHING) {
            lost_into(w, a, w->reached, w->into);
            for (int k = 0; k < a->count; k++)
                w->gap[a->place[k]] +=
                    jump * (w->reached[k] * w->down[k] - w->into[k] * w->target[k]) / all;
        }
        trace_node(w, a, step, jumped);
    }
    memcpy(a->place, w->before, (size_t)a->count * sizeof *a->place);
}

/* The file says that it recorded nothing: what a line passes there is in a gap. */
static void back_pause(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    double all = unknown_of(a, b);
    struct step way = *step;
    for (int k = 0; k < a->count; k++)
        all += a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k];
    for (int k = 0; k < a->count && all > 0; k++) {
        double p = (a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k]) / all;
        w->gap[place_at(w, a->place[k], step->x - a->offset[k])] += p;
        w->gap[place_at(w, a->place[k], w->t->pause_to[step->which] - a->offset[k])] -= p;
    }
    way.kind = END;
    back_advance(w, a, &way, b);
}

/* The lines of the segment before. a and b hold those of the later one; `heard` and the others are
 * the states before the change. */
static void back_segment(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    int count = w->later_count, next = 0;
    double all = 0;
    memcpy(w->into, b->heard, (size_t)count * sizeof *w->into);
    memcpy(w->out, b->deaf, (size_t)count * sizeof *w->out);
    for (int k = 0; k < a->count; k++) {
        while (next < count && w->later_id[next] < a->id[k])
            next++;
        int stays = next < count && w->later_id[next] == a->id[k];
        b->heard[k] = stays ? w->into[next] : b->entered;
        b->deaf[k] = stays ? w->out[next] : b->entered;
        w->target[k] = stays ? 0 : b->entered;
        all += a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k];
    }
    all += unknown_of(a, b);
    for (int k = 0; k < a->count; k++) {
        a->place[k] = place_at(w, a->place[k], step->before - a->offset[k]);
        w->lost[a->place[k]] += (a->heard[k] + a->deaf[k]) * w->target[k] / all;
    }
    trace_segment(w, a);
}

/* One step back. a: the states before it (from forward); b: what comes after it. */
void backward(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    double most = 0;
    if (step->kind == EVENT)
        back_event(w, a, step, b);
    else if (step->kind == PAUSE)
        back_pause(w, a, step, b);
    else if (step->kind == SEGMENT)
        back_segment(w, a, step, b);
    else
        back_advance(w, a, step, b);
    most = b->unknown > b->entered ? b->unknown : b->entered;
    for (int k = 0; k < a->count; k++) {
        most = b->heard[k] > most ? b->heard[k] : most;
        most = b->deaf[k] > most ? b->deaf[k] : most;
    }
    for (int k = 0; k < a->count; k++) {
        b->heard[k] /= most;
        b->deaf[k] /= most;
    }
    b->entered /= most;
    b->unknown /= most;
}
