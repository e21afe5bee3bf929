/* One likely path, followed from the end to the start: at each step the likeliest state before it.
 * trace_line: number among the lines at hand, -1 while no line has held yet. */
#include "path_internal.h"

#include <stddef.h>

static int likeliest(const struct active *a, const mass *weight, mass *most)
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
    const mass *states[] = {a->heard, a->deaf, a->strayed};
    mass best = a->unknown;
    w->trace_line = -1;
    w->trace_mode = HEARD;
    for (int mode = HEARD; mode <= STRAYED; mode++) {
        mass here;
        int line = likeliest(a, states[mode], &here);
        if (here > best) {
            best = here;
            w->trace_line = line;
            w->trace_mode = (enum mode)mode;
        }
    }
}

/* Before an event from an unknown place: did the path stray with it? */
void trace_event(struct walk *w, const struct active *a, const struct step *step)
{
    int k = w->trace_line;
    if (k >= 0 && w->trace_mode == STRAYED &&
        a->heard[k] * step->time * w->r->lost > a->strayed[k])
        w->trace_mode = HEARD;
}

static void take(struct walk *w, mass p, int line, enum mode mode, mass *most)
{
    if (p > *most) {
        *most = p;
        w->trace_line = line;
        w->trace_mode = mode;
    }
}

/* look: whether the line may have changed at this node. */
void trace_node(struct walk *w, const struct active *a, const struct step *step, int look)
{
    const struct rates *r = w->r;
    int to = w->trace_line;
    mass most = 0;
    if (to < 0 || w->trace_mode == STRAYED)
        return;
    mass here = w->reached[to], deaf = a->deaf[to];
    if (w->trace_mode == DEAF) {
        if (here * step->time * r->deaf > deaf * (1 - r->deaf_ends))
            w->trace_mode = HEARD;
        return;
    }
    take(w, here * stay_rate(r, step->time), to, HEARD, &most);
    take(w, deaf * r->deaf_ends, to, DEAF, &most);
    take(w, a->strayed[to] * r->found * SAME_AGAIN, to, STRAYED, &most);
    take(w, a->unknown * start_rate(w, a, step->x), -1, HEARD, &most);
    for (int k = 0; k < a->count && look; k++) {
        double lost = a->offset[k] - a->offset[to];
        double again = lost < 0 ? again_between(w, a, to, k, step->x) : 1;
        if (k == to || again == 0)
            continue;
        double density = r->cell * jump_density(w, lost) * again;
        take(w, w->reached[k] * step->time * r->jump * density, k, HEARD, &most);
        if (lost > 0)
            take(w, a->strayed[k] * r->found * density, k, STRAYED, &most);
    }
}

/* From the lines of a segment to those of the one before, which a holds. heir: as of find_heirs, NULL
 * if the later segment has no line. */
void trace_segment(struct walk *w, const struct active *a, const int *heir)
{
    int to = w->trace_line;
    mass most = to < 0 ? a->unknown : 0;
    w->trace_line = -1;
    for (int k = 0; k < a->count; k++) {
        int stays = heir && heir[k] >= 0 && heir[k] == to;
        int strays = heir ? -1 - heir[k] == to && w->trace_mode == STRAYED : to < 0;
        if (stays) {
            mass p = w->trace_mode == STRAYED ? a->strayed[k] : 1;
            take(w, p, k, w->trace_mode, &most);
        } else if (strays) {
            take(w, a->heard[k] * w->stray, k, HEARD, &most);
            take(w, a->deaf[k] * w->stray, k, DEAF, &most);
            take(w, a->strayed[k], k, STRAYED, &most);
        }
    }
}
