/* The hidden path: along recorded time, the line (an offset) that holds, with its deaf twin while
 * no marker comes through, and one state for an unknown place. Forward and backward sums over all
 * paths; the forward states of one block of steps at a time are kept.
 *
 * A step goes on to a time `x` and does one thing there. Markers that a line passes on the way
 * without an event are missed. What is at a line's place in the log follows from x alone: the
 * number of markers whose time plus the offset is below x. */
#include "emission.h"
#include "path_internal.h"

static mass scale_down(struct active *a)
{
    mass total = a->unknown;
    for (int k = 0; k < a->count; k++)
        total += a->heard[k] + a->deaf[k] + a->strayed[k];
    if (!(total > 0))
        return 0;
    mass share = 1 / total;
    for (int k = 0; k < a->count; k++) {
        a->heard[k] *= share;
        a->deaf[k] *= share;
        a->strayed[k] *= share;
    }
    a->unknown *= share;
    return total;
}

static void advance(const struct walk *w, struct active *a, double from, double x)
{
    for (int k = 0; k < a->count; k++) {
        double missed;
        int passed;
        a->place[k] = pass(w, a->offset[k], a->place[k], x, &missed, &passed);
        if (passed) {
            a->heard[k] *= missed;
            a->deaf[k] *= deaf_power(w, passed);
        }
        a->heard[k] *= absent_share(w, a->offset[k], from, x);
    }
}

static void skip_pause(const struct walk *w, struct active *a, double x)
{
    for (int k = 0; k < a->count; k++)
        a->place[k] = place_at(w, a->place[k], x - a->offset[k]);
}

/* The transitions at a node. */
static void change_place(const struct walk *w, struct active *a, double time, double x)
{
    const struct rates *r = w->r;
    double exit = start_rate(w, a, x), stay = stay_rate(r, time);
    for (int k = 0; k < a->count; k++)
        w->source[k] = (time * r->jump * a->heard[k] + r->found * a->strayed[k]) * r->cell;
    lost_into(w, a, w->source, w->into);
    for (int k = 0; k < a->count; k++)
        w->source[k] = time * r->jump * a->heard[k] * r->cell;
    inserted_into(w, a, x, w->source, w->into);
    for (int k = 0; k < a->count; k++) {
        mass heard = a->heard[k], deaf = a->deaf[k];
        a->heard[k] = heard * stay + w->into[k] + deaf * r->deaf_ends + a->unknown * exit +
                      SAME_AGAIN * r->found * a->strayed[k];
        a->deaf[k] = deaf * (1 - r->deaf_ends) + heard * time * r->deaf;
        a->strayed[k] *= 1 - r->found;
    }
    a->unknown *= 1 - exit * a->count;
}

/* A path that is on no line at an anchor is elsewhere. */
static void hold_to(const struct walk *w, struct active *a, int anchor)
{
    double elsewhere = exp(-w->t->anchor_nats[anchor]);
    for (int k = 0; k < a->count; k++) {
        double factor = anchor_factor(w->t, anchor, a->offset[k]);
        a->heard[k] *= factor;
        a->deaf[k] *= factor;
        a->strayed[k] *= elsewhere;
    }
    a->unknown *= elsewhere;
}

/* One step on. Returns the number by which all probabilities were divided. */
mass forward(struct walk *w, struct active *a, const struct step *step)
{
    const struct rates *r = w->r;
    if (step->kind == SEGMENT) {
        change_lines(w, a, step->which);
        for (int k = 0; k < a->count; k++)
            a->place[k] = place_at(w, 0, step->before - a->offset[k]);
    } else if (step->kind == PAUSE) {
        advance(w, a, step->before, step->x);
        skip_pause(w, a, w->t->pause_to[step->which]);
    } else if (step->kind == EVENT) {
        double unknown = r->unknown[w->t->seen_code[step->which]];
        double extra = r->extra[w->t->seen_code[step->which]];
        for (int k = 0; k < a->count; k++) {
            double missed, alone;
            int passed, before = a->place[k];
            int place = pass(w, a->offset[k], before, step->x, &missed, &passed), after;
            double seen = event_terms(w, a, k, step->which, place, &after, &alone);
            a->strayed[k] = (a->strayed[k] + a->heard[k] * step->time * r->lost) * unknown;
            a->heard[k] *= missed * (seen + alone) *
                           absent_share(w, a->offset[k], step->before, w->t->to[step->which]);
            a->deaf[k] *= deaf_power(w, after - before) * extra;
            a->place[k] = after;
        }
        a->unknown *= unknown;
    } else {
        advance(w, a, step->before, step->x);
        if (step->kind == NODE) {
            set_cut(w, step->x);
            change_place(w, a, step->time, step->x);
        }
        if (step->kind == ANCHOR)
            hold_to(w, a, step->which);
    }
    w->work += a->count;
    return step->kind == EVENT || step->kind == END ? scale_down(a) : 1; /* others take little away */
}
