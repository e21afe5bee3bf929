/* What one line makes of markers and events: the factors of both walks. */
#ifndef TALLYMARK_EMISSION_H
#define TALLYMARK_EMISSION_H

#include <math.h>

#include "path_internal.h"

#define LOOSE_NEAR 5.0 /* part of loose_reach within which most host times are right */
#define LOOSE_NEAR_SHARE 0.7
#define ABSENT_AGAIN 0.5 /* probability that a loose marker is absent behind another that is */

/* Whether no event is where a loose marker's would be. */
static inline int is_absent(const struct trains *t, int loose, double offset)
{
    double low = t->loose_at[loose] + offset - t->loose_reach;
    int j = count_before(t->seen, t->events, low);
    return j == t->events || t->seen[j] > low + 2 * t->loose_reach;
}

/* Probability of the loose markers that a line passes between two times and that are absent; often
 * several in a row are. */
static inline double absent_share(const struct walk *w, double offset, double from, double to)
{
    const struct trains *t = w->t;
    double share = 1;
    if (!t->loose)
        return 1;
    for (int p = count_before(t->loose_at, t->loose, from - offset);
         p < t->loose && t->loose_at[p] < to - offset; p++)
        if (is_absent(t, p, offset))
            share *= p && is_absent(t, p - 1, offset) ? ABSENT_AGAIN : 1 - w->r->loose_there;
    return share;
}

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

static inline double residual_density(const struct rates *r, double residual)
{
    double off = fabs(residual), flat = (1 - r->wide) / (2 * r->core), wide = r->wide / (2 * r->reach);
    return (off <= r->core ? flat : flat * exp((r->core - off) / r->tail)) + wide;
}

/* Density of the time of a loose marker's event: most host times are right to a few ms. */
static inline double loose_density(const struct trains *t, double off)
{
    double wide = (1 - LOOSE_NEAR_SHARE) / (2 * t->loose_reach), near = t->loose_reach / LOOSE_NEAR;
    return fabs(off) <= near ? wide + LOOSE_NEAR_SHARE / (2 * near) : wide;
}

/* Density of event j if no confirmed marker made it: extra, or a loose marker's. */
static inline double free_density(const struct walk *w, struct active *a, int k, int j)
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
        int first = p;
        for (; p < t->loose && t->loose_at[p] <= low + 2 * t->loose_reach; p++)
            density += w->r->loose_there * w->r->confusion[code * 256 + t->loose_code[p]] *
                       loose_density(t, t->seen[j] - a->offset[k] - t->loose_at[p]);
        if (p > first)
            density -= w->r->loose_there * w->r->extra[code]; /* then it isn't there */
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

#endif
