/* The way back: what comes after each state, and with it the probability of each explanation of each
 * marker and event. */
#include <string.h>

#include "emission.h"
#include "path_internal.h"

#define LIKELY_JUMP 1e-3
#define LIKELY 1e-3

static mass larger(mass a, mass b)
{
    return a > b ? a : b;
}

/* Of all paths together. Where that is next to nothing, one that was left out would be the best. */
static mass all_of(struct walk *w, const struct active *a, const struct later *b)
{
    mass all = a->unknown * b->unknown;
    for (int k = 0; k < a->count; k++)
        all += a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k] + a->strayed[k] * b->strayed[k];
    if (all >= LEAST_MASS)
        return all;
    w->nothing_left = 1;
    return 1;
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
    double here = t->seen[j] - a->offset[k];
    if (a->loose[k] < t->loose && fabs(t->loose_at[a->loose[k]] - here) <= t->loose_reach)
        extra *= 1 - w->r->loose_there;
    double most = p * alone / all * extra / free_all;
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
        double made = w->r->loose_there * likely[t->loose_code[i]] *
                      loose_density(t, here - t->loose_at[i]);
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
    double extra = w->r->extra[w->t->seen_code[j]], unknown = w->r->unknown[w->t->seen_code[j]];
    double leave = step->time * w->r->lost;
    w->v->path_line[j] = w->trace_line < 0 || w->trace_mode == STRAYED ? -1 : a->id[w->trace_line];
    for (int k = 0; k < a->count; k++) {
        double missed, alone;
        int passed, after, before = place_at(w, a->place[k], step->before - a->offset[k]);
        int place = pass(w, a->offset[k], before, step->x, &missed, &passed);
        double seen = event_terms(w, a, k, j, place, &after, &alone);
        a->place[k] = before;
        b->strayed[k] *= unknown;
        w->target[k] = b->heard[k] * missed * (seen + alone) *
                       absent_share(w, a->offset[k], step->before, w->t->to[j]);
        b->heard[k] = w->target[k] + leave * b->strayed[k];
        b->deaf[k] *= deaf_power(w, after - before) * extra;
    }
    b->unknown *= unknown;
    mass share = 1 / all_of(w, a, b), lost = a->unknown * b->unknown * share;
    for (int k = 0; k < a->count; k++) {
        double heard = (double)(a->heard[k] * w->target[k] * share);
        double deaf = (double)(a->deaf[k] * b->deaf[k] * share);
        double left = (double)(a->heard[k] * leave * b->strayed[k] * share);
        if (heard > NOTHING) {
            int marker = credit_event(w, a, k, j, heard);
            if (k == w->trace_line && w->trace_mode == HEARD)
                traced = marker;
        }
        if (deaf > NOTHING) {
            w->v->event_extra[j] += deaf;
            int after = place_at(w, a->place[k], w->t->to[j] - a->offset[k]);
            missed_on_the_way(w, a->place[k], after, deaf);
        }
        w->lost[a->place[k]] += left;
        lost += left + a->strayed[k] * b->strayed[k] * share;
    }
    w->v->event_unknown[j] += (double)lost;
    settle_event(w, j);
    w->v->path_marker[j] = traced;
    trace_event(w, a, step);
}

/* The transitions at a node, turned round; the missed markers before it are still to come. `target`
 * holds what came after the lines. Returns how much jumps contribute. */
static mass back_node(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    const struct rates *r = w->r;
    double time = step->time, exit = start_rate(w, a, step->x);
    double stay = stay_rate(r, time);
    mass into_lines = 0, jumped = 0;
    jumps_out(w, a, step->x, w->target, w->down, w->out);
    for (int k = 0; k < a->count; k++) {
        into_lines += w->target[k];
        b->heard[k] = w->target[k] * stay + time * r->jump * r->cell * w->out[k] +
                      time * r->deaf * b->deaf[k];
        b->deaf[k] = b->deaf[k] * (1 - r->deaf_ends) + w->target[k] * r->deaf_ends;
        b->strayed[k] = b->strayed[k] * (1 - r->found) +
                        r->found * (r->cell * w->down[k] + SAME_AGAIN * w->target[k]);
        jumped += w->reached[k] * time * r->jump * r->cell * w->out[k] +
                  a->strayed[k] * r->found * r->cell * w->down[k];
    }
    b->unknown = b->unknown * (1 - exit * a->count) + exit * into_lines;
    return jumped;
}

/* Credits the markers that jumps skip, and ends the unknown places that end here. share: 1 by all paths
 * together. */
static void credit_node(struct walk *w, struct active *a, const struct step *step, mass share,
                        mass jumped)
{
    const struct rates *r = w->r;
    mass jump = step->time * r->jump * r->cell * share;
    double exit = start_rate(w, a, step->x);
    for (int k = 0; k < a->count; k++)
        w->lost[a->place[k]] -= (double)((a->unknown * exit + SAME_AGAIN * r->found * a->strayed[k]) *
                                         w->target[k] * share);
    if (jumped * share < NOTHING)
        return;
    lost_into(w, a, w->reached, w->into);
    for (int k = 0; k < a->count; k++)
        w->gap[a->place[k]] +=
            (double)(jump * (w->reached[k] * w->down[k] - w->into[k] * w->target[k]));
    lost_into(w, a, a->strayed, w->into);
    for (int k = 0; k < a->count; k++)
        w->lost[a->place[k]] -= (double)(r->found * r->cell * w->into[k] * w->target[k] * share);
}

/* An advance, and for a node the transitions behind it. Afterwards b is at the step's start. */
static void back_advance(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    mass jumped = 0;
    for (int k = 0; k < a->count; k++) {
        int passed;
        w->before[k] = place_at(w, a->place[k], step->before - a->offset[k]);
        a->place[k] = pass(w, a->offset[k], w->before[k], step->x, &w->missed[k], &passed);
        w->missed[k] *= absent_share(w, a->offset[k], step->before, step->x);
        w->reached[k] = a->heard[k] * w->missed[k];
        w->target[k] = b->heard[k];
    }
    if (step->kind == NODE) {
        set_cut(w, step->x);
        jumped = back_node(w, a, step, b);
    }
    for (int k = 0; k < a->count; k++) {
        b->heard[k] *= w->missed[k];
        b->deaf[k] *= deaf_power(w, a->place[k] - w->before[k]);
    }
    mass all = all_of(w, a, b), share = 1 / all;
    for (int k = 0; k < a->count; k++) {
        double p = (double)((a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k]) * share);
        if (p > NOTHING)
            missed_on_the_way(w, w->before[k], a->place[k], p);
    }
    if (step->kind == NODE) {
        int to = w->trace_line;
        credit_node(w, a, step, share, jumped);
        /* Which line was left is looked for where a line was, and where the path can't be what it is. */
        trace_node(w, a, step, jumped > LIKELY_JUMP * all ||
                                   (to >= 0 && a->heard[to] * b->heard[to] < LIKELY * all));
    }
    memcpy(a->place, w->before, (size_t)a->count * sizeof *a->place);
}

/* The file says that it recorded nothing: what a line passes there is in a gap. */
static void back_pause(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    mass all = all_of(w, a, b);
    struct step way = *step;
    for (int k = 0; k < a->count; k++) {
        double p = (double)((a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k]) / all);
        w->gap[place_at(w, a->place[k], step->x - a->offset[k])] += p;
        w->gap[place_at(w, a->place[k], w->t->pause_to[step->which] - a->offset[k])] -= p;
    }
    way.kind = END;
    back_advance(w, a, &way, b);
}

/* An anchor, and the advance to it. */
static void back_anchor(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    double elsewhere = exp(-w->t->anchor_nats[step->which]);
    for (int k = 0; k < a->count; k++) {
        double factor = anchor_factor(w->t, step->which, a->offset[k]);
        b->heard[k] *= factor;
        b->deaf[k] *= factor;
        b->strayed[k] *= elsewhere;
    }
    b->unknown *= elsewhere;
    back_advance(w, a, step, b);
}

/* The lines of the segment before, which a holds; b still has those of the later one. */
static void back_segment(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    struct active later = {.count = w->later_count, .id = w->later_id};
    size_t bytes = (size_t)w->later_count * sizeof(mass);
    memcpy(w->into, b->heard, bytes);
    memcpy(w->out, b->deaf, bytes);
    memcpy(w->source, b->strayed, bytes);
    int some = find_heirs(&later, a->id, a->count, w->heir);
    for (int k = 0; k < a->count; k++) {
        int heir = w->heir[k];
        mass astray = some && heir < 0 ? w->source[-1 - heir] : b->unknown;
        int stays = some && heir >= 0;
        b->heard[k] = stays ? w->into[heir] : astray * w->stray;
        b->deaf[k] = stays ? w->out[heir] : astray * w->stray;
        b->strayed[k] = stays ? w->source[heir] : astray;
    }
    mass all = all_of(w, a, b);
    for (int k = 0; k < a->count; k++) {
        a->place[k] = place_at(w, a->place[k], step->before - a->offset[k]);
        if (!some || w->heir[k] < 0)
            w->lost[a->place[k]] +=
                (double)((a->heard[k] * b->heard[k] + a->deaf[k] * b->deaf[k]) / all);
    }
    trace_segment(w, a, some ? w->heir : NULL);
}

/* One step back. a: the states before it (from forward); b: what comes after it. */
void backward(struct walk *w, struct active *a, const struct step *step, struct later *b)
{
    if (step->kind == EVENT)
        back_event(w, a, step, b);
    else if (step->kind == PAUSE)
        back_pause(w, a, step, b);
    else if (step->kind == SEGMENT)
        back_segment(w, a, step, b);
    else if (step->kind == ANCHOR)
        back_anchor(w, a, step, b);
    else
        back_advance(w, a, step, b);
    if (step->kind != EVENT)
        return;
    mass most = b->unknown;
    for (int k = 0; k < a->count; k++)
        most = larger(larger(most, b->heard[k]), larger(b->deaf[k], b->strayed[k]));
    mass share = 1 / most;
    for (int k = 0; k < a->count; k++) {
        b->heard[k] *= share;
        b->deaf[k] *= share;
        b->strayed[k] *= share;
    }
    b->unknown *= share;
}
