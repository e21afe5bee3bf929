/* Every offset at which a stretch of the recording fits the log, from the histogram of all time
 * differences between its events and the markers. */
#include "kernel.h"

#include <math.h>
#include <stdlib.h>

struct peak {
    double offset;
    double score;
};

/* A line while windows are joined to it. latest: offset in the latest windows. */
struct open_line {
    double offset;
    double latest;
    double score;
    int windows;
    int first;
    int end;
};

struct search {
    const struct trains *t;
    const double *same;
    double other;
    double lowest;
    double per_bin;
    float *score;
    uint32_t *mark;
    struct peak *peaks;
    double *weight;
    int peak_count;
    int peak_room;
};

static void add_window(const struct search *s, int first, int end)
{
    const struct trains *t = s->t;
    for (int j = first; j < end; j++) {
        double from = t->seen[j] - s->lowest;
        uint8_t code = t->seen_code[j];
        float same = (float)s->same[code], other = (float)s->other;
        for (int i = 0; i < t->markers; i++) {
            size_t bin = (size_t)((from - t->at[i]) * s->per_bin);
            s->score[bin] += t->code[i] == code ? same : other;
        }
    }
}

static float two_bins(const struct search *s, size_t bin)
{
    return s->score[bin] + s->score[bin + 1];
}

static int more_peaks(struct search *s)
{
    int room = s->peak_room ? 2 * s->peak_room : 1024;
    struct peak *peaks = realloc(s->peaks, (size_t)room * sizeof *peaks);
    if (!peaks)
        return 0;
    s->peaks = peaks;
    double *weight = realloc(s->weight, (size_t)room * sizeof *weight);
    if (!weight)
        return 0;
    s->weight = weight;
    s->peak_room = room;
    return 1;
}

/* Marks the bins that are peaks, then takes the mean difference of the pairs in each. */
static int find_peaks(struct search *s, int first, int end, double slack)
{
    const struct trains *t = s->t;
    float best = 0;
    s->peak_count = 0;
    for (int j = first; j < end; j++) {
        double from = t->seen[j] - s->lowest;
        for (int i = 0; i < t->markers; i++) {
            float here = two_bins(s, (size_t)((from - t->at[i]) * s->per_bin));
            if (here > best)
                best = here;
        }
    }
    float least = best - (float)slack;
    least = least > 0.5f ? least : 0.5f;
    for (int pass = 0; pass < 2; pass++) {
        for (int j = first; j < end; j++) {
            double from = t->seen[j] - s->lowest;
            uint8_t code = t->seen_code[j];
            for (int i = 0; i < t->markers; i++) {
                size_t at = (size_t)((from - t->at[i]) * s->per_bin);
                for (size_t bin = at - 1; bin <= at; bin++) {
                    float here = two_bins(s, bin);
                    if (here < least || two_bins(s, bin - 1) > here || two_bins(s, bin + 1) >= here)
                        continue;
                    if (!pass && !s->mark[bin]) {
                        if (s->peak_count == s->peak_room && !more_peaks(s))
                            return 0;
                        s->peaks[s->peak_count] = (struct peak){0, here};
                        s->weight[s->peak_count] = 0;
                        s->mark[bin] = (uint32_t)++s->peak_count;
                    } else if (pass && s->mark[bin]) {
                        uint32_t peak = s->mark[bin] - 1;
                        double weight = t->code[i] == code ? s->same[code] : s->other;
                        s->peaks[peak].offset += weight * (t->seen[j] - t->at[i]);
                        s->weight[peak] += weight;
                    }
                }
            }
        }
    }
    for (int peak = 0; peak < s->peak_count; peak++) {
        s->peaks[peak].offset /= s->weight[peak];
        size_t bin = (size_t)((s->peaks[peak].offset - s->lowest) * s->per_bin);
        for (size_t near = bin - 2; near <= bin + 2; near++)
            s->mark[near] = 0;
    }
    return 1;
}

static int by_offset(const void *a, const void *b)
{
    double x = ((const struct peak *)a)->offset, y = ((const struct peak *)b)->offset;
    return (x > y) - (x < y);
}

struct results {
    struct proposal *found;
    int count;
    int room;
};

static int put(struct results *r, const struct open_line *line)
{
    if (r->count == r->room) {
        int room = r->room ? 2 * r->room : 1024;
        struct proposal *found = realloc(r->found, (size_t)room * sizeof *found);
        if (!found)
            return 0;
        r->found = found;
        r->room = room;
    }
    r->found[r->count++] = (struct proposal){line->offset, line->score, line->first, line->end};
    return 1;
}

/* Joins a window's peaks to the open lines; both are in order of offset. Returns the new number of
 * open lines in `next`, or -1 without memory. */
static int join_peaks(const struct search *s, struct results *r, const struct open_line *open,
                      int count, struct open_line *next, double join, int first, int end)
{
    int made = 0, line = 0, peak = 0;
    while (line < count || peak < s->peak_count) {
        double ahead = line < count ? open[line].latest : INFINITY;
        double here = peak < s->peak_count ? s->peaks[peak].offset : INFINITY;
        if (fabs(ahead - here) < join && fabs(open[line].offset - here) < join) {
            struct open_line one = open[line++];
            one.latest += 0.3 * (here - one.latest);
            one.offset += (here - one.offset) / ++one.windows;
            one.score += s->peaks[peak++].score;
            one.end = end;
            next[made++] = one;
        } else if (ahead < here) {
            if (open[line].end >= first)
                next[made++] = open[line];
            else if (!put(r, &open[line]))
                return -1;
            line++;
        } else {
            next[made++] = (struct open_line){here, here, s->peaks[peak++].score, 1, first, end};
        }
    }
    return made;
}

int propose(const struct trains *t, const int *first, int windows, int length, double bin,
            const double *same, double other, double slack, double join, struct proposal **found)
{
    struct search s = {.t = t, .same = same, .other = other, .per_bin = 1 / bin};
    struct results r = {0};
    struct open_line *open = NULL, *next = NULL;
    int count = 0, room = 0, fine = 1;
    s.lowest = t->seen[0] - t->at[t->markers - 1] - 8 * bin;
    size_t bins = (size_t)((t->seen[t->events - 1] - t->at[0] - s.lowest) / bin) + 16;
    s.score = calloc(bins, sizeof *s.score);
    s.mark = calloc(bins, sizeof *s.mark);
    fine = s.score && s.mark;
    for (int w = 0; w < windows && fine; w++) {
        int end = first[w] + length < t->events ? first[w] + length : t->events;
        add_window(&s, first[w], end);
        fine = find_peaks(&s, first[w], end, slack);
        for (int j = first[w]; j < end && fine; j++)
            for (int i = 0; i < t->markers; i++)
                s.score[(size_t)((t->seen[j] - s.lowest - t->at[i]) * s.per_bin)] = 0;
        if (!fine)
            break;
        qsort(s.peaks, (size_t)s.peak_count, sizeof *s.peaks, by_offset);
        if (count + s.peak_count > room) {
            room = 2 * (count + s.peak_count);
            struct open_line *more = realloc(open, (size_t)room * sizeof *more);
            open = more ? more : open;
            struct open_line *also = realloc(next, (size_t)room * sizeof *also);
            next = also ? also : next;
            if (!(fine = more && also))
                break;
        }
        count = join_peaks(&s, &r, open, count, next, join, first[w], end);
        fine = count >= 0;
        struct open_line *swap = open;
        open = next;
        next = swap;
    }
    for (int line = 0; line < count && fine; line++)
        fine = put(&r, &open[line]);
    free(open);
    free(next);
    free(s.score);
    free(s.mark);
    free(s.peaks);
    free(s.weight);
    *found = r.found;
    if (!fine)
        free_proposals(r.found);
    return fine ? r.count : -1;
}

void free_proposals(struct proposal *found)
{
    free(found);
}
