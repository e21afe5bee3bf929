/* One likely path, followed from the end to the start: at each step the likeliest state before it.
 * trace_line: number among the lines at hand, -1 for an unknown place. */
#include "state.h"

static int likeliest(const struct active *a, const double *weight, double *most)
{
    int line = -1;
    *most = 0;
    for (int k = 0; k < a->count; k++)
        if (weight[k] > *most) {
            *most = weight[k];
            line = k;
        }
    return line;
}

void trace_end(struct walk *w, const struct active *a)
{
    double heard, deaf;
    int line = likeliest(a, a->heard, &heard), deaf_line = likeliest(a, a->deaf, &deaf);
    w->trace_deaf = deaf > heard;
    w->trace_line = w->trace_deaf ? deaf_line : line;
    if (a->entered + a->unknown > heard && a->entered + a->unknown > deaf)
        w->trace_line = -1;
}

/* jumped: probability that there was a jump at this node. */
void trace_node(struct walk *w, const struct active *a, const struct step *step, double jumped)
{
    const struct rates *r = w->r;
    int to = w->trace_line;
    double most;
    if (to < 0) {
        int line = likeliest(a, w->reached, &most);
        if (most * step->time * r->lost > a->entered + a->unknown) {
            w->trace_line = line;
            w->trace_deaf = 0;
        }
        return;
    }
    double here = w->reached[to], deaf = a->deaf[to];
    if (w->trace_deaf) {
        w->trace_deaf = here * step->time * r->deaf < deaf * (1 - r->deaf_ends);
        return;
    }
    most = here * stay_rate(r, step->time);
    if (deaf * r->deaf_ends > most) {
        most = deaf * r->deaf_ends;
        w->trace_deaf = 1;
    }
    if (a->unknown * r->found / a->count > most) {
        most = a->unknown * r->found / a->count;
        w->trace_deaf = 0;
        w->trace_line = -1;
    }
    if (jumped < 1e-3)
        return;
    for (int k = 0; k < a->count; k++) {
        double lost = a->offset[k] - a->offset[to];
        if (k == to || (lost < 0 && a->place[k] != a->place[to]))
            continue;
        double jump = w->reached[k] * step->time * r->jump * r->cell * jump_density(w, lost);
        if (jump > most) {
            most = jump;
            w->trace_line = k;
            w->trace_deaf = 0;
        }
    }
}

/* From the lines of a segment to those of the one before, which a holds. */
void trace_segment(struct walk *w, const struct active *a)
{
    if (w->trace_line < 0) {
        double most = a->entered + a->unknown;
        for (int k = 0; k < a->count; k++)
            if (w->target[k] > 0 && a->heard[k] > most) {
                most = a->heard[k];
                w->trace_line = k;
                w->trace_deaf = 0;
            }
        return;
    }
    int id = w->later_id[w->trace_line];
    w->trace_line = -1;
    for (int k = 0; k < a->count; k++)
        if (a->id[k] == id)
            w->trace_line = k;
}
