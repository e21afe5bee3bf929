/* Which lines are at hand, and the jumps between them. */
#include "path_internal.h"

#include <math.h>
#include <string.h>

/* Number of times, in order, before x. */
int count_before(const double *times, int count, double x)
{
    int low = 0, end = count;
    while (low < end) {
        int middle = low + (end - low) / 2;
        if (times[middle] < x)
            low = middle + 1;
        else
            end = middle;
    }
    return low;
}

/* Number of markers before log time x, found from a number nearby. */
int place_at(const struct walk *w, int hint, double x)
{
    const double *at = w->t->at;
    int p = hint, end = w->t->markers;
    for (int near = 0; near < 8; near++) {
        if (p > 0 && at[p - 1] >= x)
            p--;
        else if (p < end && at[p] < x)
            p++;
        else
            return p;
    }
    return count_before(at, end, x);
}

/* Puts the lines of a segment in place, without probabilities. */
void set_lines(const struct walk *w, struct active *a, int segment)
{
    const struct lines *l = w->l;
    a->count = 0;
    a->segment = segment;
    for (int id = 0; id < l->count; id++) {
        if (l->first[id] > segment || l->last[id] < segment)
            continue;
        int k = a->count++;
        a->id[k] = id;
        a->offset[k] = l->offset[id];
        a->place[k] = a->loose[k] = 0;
        a->heard[k] = a->deaf[k] = a->strayed[k] = 0;
        double apart = k ? a->offset[k] - a->offset[k - 1] : 0;
        for (int s = 0; s < SCALES; s++)
            a->decay[SCALES * k + s] = exp(-apart / w->r->size[s]);
        a->back[k] = exp(-apart / w->r->back_size);
    }
}

/* Of lines `id` the number among those at hand, or minus one minus the number of the line that takes
 * over: the next lower one, so that log time does not run back. Returns 0 if there is none. */
int find_heirs(const struct active *a, const int *id, int count, int *heir)
{
    for (int old = 0, k = 0; old < count; old++) {
        while (k < a->count && a->id[k] < id[old])
            k++;
        int stays = k < a->count && a->id[k] == id[old];
        heir[old] = stays ? k : -1 - (k ? k - 1 : 0);
    }
    return a->count > 0;
}

/* Goes over to another segment; lines that end there have strayed. Places in the log must be found
 * anew. */
void change_lines(const struct walk *w, struct active *a, int segment)
{
    int count = a->count;
    memcpy(w->before, a->id, (size_t)count * sizeof *w->before);
    memcpy(w->into, a->heard, (size_t)count * sizeof *w->into);
    memcpy(w->out, a->deaf, (size_t)count * sizeof *w->out);
    memcpy(w->source, a->strayed, (size_t)count * sizeof *w->source);
    set_lines(w, a, segment);
    int some = find_heirs(a, w->before, count, w->heir);
    for (int old = 0; old < count; old++) {
        int k = w->heir[old];
        if (some && k >= 0) {
            a->heard[k] += w->into[old];
            a->deaf[k] += w->out[old];
            a->strayed[k] += w->source[old];
        } else {
            mass all = (w->into[old] + w->out[old]) * w->stray + w->source[old];
            *(some ? &a->strayed[-1 - k] : &a->unknown) += all;
        }
    }
}

/* Share of the unknown start that goes over to each line at a node; none before the first event, or
 * markers would be passed by for nothing. */
double start_rate(const struct walk *w, const struct active *a, double x)
{
    return a->count && x >= w->t->to[0] ? w->r->found / a->count : 0;
}

/* Jumps from marker to marker are jumps between events: before the first and after the last, none would
 * show. */
void set_cut(struct walk *w, double x)
{
    int last = w->t->events - 1;
    w->cut_here = last > 0 && x > w->t->seen[0] && x < w->t->seen[last] ? w->per_cut : 0;
}

double stay_rate(const struct rates *r, double time)
{
    double leave = time * (r->jump + r->deaf + r->lost);
    return leave < 0.5 ? 1 - leave : 0.5;
}

/* How much less probable an anchor makes a line. */
double anchor_factor(const struct trains *t, int anchor, double offset)
{
    double off = fabs(offset - t->anchor_offset[anchor]);
    return off <= t->anchor_reach[anchor] ? 1 : exp(-t->anchor_nats[anchor]);
}

/* Density of the size of a jump that loses samples; of one that inserts some if negative. */
double jump_density(const struct walk *w, double lost)
{
    double density = 0;
    if (lost < 0)
        return w->per_back * exp(lost / w->r->back_size);
    for (int s = 0; s < SCALES; s++)
        density += w->per_scale[s] * exp(-lost / w->r->size[s]);
    return density + w->cut_here;
}

/* What jumps with lost samples bring into each line, from all higher offsets. */
void lost_into(const struct walk *w, const struct active *a, const mass *from, mass *into)
{
    mass sum[SCALES] = {0}, cut = 0;
    for (int k = a->count - 1; k >= 0; k--) {
        mass all = cut;
        cut += from[k] * w->cut_here;
        for (int s = 0; s < SCALES; s++) {
            all += sum[s];
            sum[s] = (sum[s] + from[k] * w->per_scale[s]) * a->decay[SCALES * k + s];
        }
        into[k] = all;
    }
}

/* How many markers, confirmed or not, lie between the places of two lines in the log at time x. */
static int markers_between(const struct walk *w, const struct active *a, int higher, int lower, double x)
{
    int again = a->place[lower] - a->place[higher];
    if (w->t->loose)
        again += count_before(w->t->loose_at, w->t->loose, x - a->offset[lower]) -
                 count_before(w->t->loose_at, w->t->loose, x - a->offset[higher]);
    return again;
}

/* How probable it is that log time runs back over the markers between the places of two lines in the
 * log at time x: 1 if there is none. */
double again_between(const struct walk *w, const struct active *a, int higher, int lower, double x)
{
    int again = markers_between(w, a, higher, lower, x);
    return again < MOST_AGAIN ? w->again[again] : 0;
}

/* Carries what runs back on from one line to its neighbour: back[n] has run over n markers. Returns all
 * of it. */
static mass run_back(const struct walk *w, const struct active *a, int higher, double x, mass *back)
{
    int between = markers_between(w, a, higher, higher - 1, x);
    double factor = between < MOST_AGAIN ? a->back[higher] * w->again[between] : 0;
    mass all = 0;
    for (int n = MOST_AGAIN - 1; n >= 0; n--)
        all += back[n] = n >= between ? back[n - between] * factor : 0;
    return all;
}

/* Adds what jumps with inserted samples bring in: from lower offsets, as far as few markers would
 * come again. */
void inserted_into(const struct walk *w, const struct active *a, double x, const mass *from,
                   mass *into)
{
    mass back[MOST_AGAIN] = {0};
    for (int k = 1; k < a->count; k++) {
        back[0] += from[k - 1] * w->per_back;
        into[k] += run_back(w, a, k, x, back);
    }
}

/* Jumps turned round: what each line gets from the lines that it may jump to. down: from those with
 * lost samples alone. */
void jumps_out(const struct walk *w, const struct active *a, double x, const mass *to, mass *down,
               mass *out)
{
    mass sum[SCALES] = {0}, cut = 0;
    for (int k = 0; k < a->count; k++) {
        mass all = cut;
        cut += to[k] * w->cut_here;
        for (int s = 0; s < SCALES; s++) {
            sum[s] *= k ? a->decay[SCALES * k + s] : 0;
            all += sum[s] * w->per_scale[s];
            sum[s] += to[k];
        }
        down[k] = out[k] = all;
    }
    mass back[MOST_AGAIN] = {0};
    for (int k = a->count - 2; k >= 0; k--) {
        back[0] += to[k + 1];
        out[k] += run_back(w, a, k + 1, x, back) * w->per_back;
    }
}
