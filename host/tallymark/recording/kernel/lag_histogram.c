/* Every offset at which a stretch of the recording fits the log, from the histogram of all time
 * differences between its events and the markers. */
#include "kernel.h"

#include <math.h>
#include <stdlib.h>

/* What explains less is left to the unknown place, unless it is half of what there is to explain. */
#define WORTH 25.0f

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
    double bin;
    float *score;
    uint8_t *noted;
    size_t *notes;
    struct peak *peaks;
    int peak_count;
    int note_count;
    int room;
};

static int make_room(struct search *s)
{
    int room = s->room ? 2 * s->room : 4096;
    struct peak *peaks = realloc(s->peaks, (size_t)room * sizeof *peaks);
    s->peaks = peaks ? peaks : s->peaks;
    size_t *notes = realloc(s->notes, (size_t)room * sizeof *notes);
    s->notes = notes ? notes : s->notes;
    s->room = room;
    return peaks && notes;
}

/* Bin of the difference between an event at `from` (less the lowest difference) and a marker. */
static inline size_t bin_of(double from, double at, double per_bin)
{
    return (size_t)((from - at) * per_bin);
}

/* Adds up the window's histogram. Returns the largest single bin. */
static float add_window(const struct search *s, int first, int end)
{
    const struct trains *t = s->t;
    double per_bin = 1 / s->bin;
    float most = 0;
    for (int j = first; j < end; j++) {
        double from = t->seen[j] - s->lowest;
        uint8_t code = t->seen_code[j];
        float same = (float)s->same[code], other = (float)s->other;
        for (int i = 0; i < t->markers; i++) {
            size_t bin = bin_of(from, t->at[i], per_bin);
            float here = s->score[bin] + (t->code[i] == code ? same : other);
            s->score[bin] = here;
            most = here > most ? here : most;
        }
    }
    return most;
}

/* Notes the bins that may belong to a peak: two neighbours together make one. */
static int note_bins(struct search *s, int first, int end, float least)
{
    const struct trains *t = s->t;
    double per_bin = 1 / s->bin;
    s->note_count = 0;
    for (int j = first; j < end; j++) {
        double from = t->seen[j] - s->lowest;
        for (int i = 0; i < t->markers; i++) {
            size_t bin = bin_of(from, t->at[i], per_bin);
            if (s->score[bin] < least || s->noted[bin])
                continue;
            if (s->note_count == s->room && !make_room(s))
                return 0;
            s->noted[bin] = 1;
            s->notes[s->note_count++] = bin;
        }
    }
    return 1;
}

static void clear_window(const struct search *s, int first, int end)
{
    const struct trains *t = s->t;
    double per_bin = 1 / s->bin;
    for (int j = first; j < end; j++) {
        double from = t->seen[j] - s->lowest;
        for (int i = 0; i < t->markers; i++)
            s->score[bin_of(from, t->at[i], per_bin)] = 0;
    }
    for (int note = 0; note < s->note_count; note++)
        s->noted[s->notes[note]] = 0;
}

static float two_bins(const struct search *s, size_t bin)
{
    return s->score[bin] + s->score[bin + 1];
}

static int by_size(const void *a, const void *b)
{
    size_t x = *(const size_t *)a, y = *(const size_t *)b;
    return (x > y) - (x < y);
}

/* Mean difference of the window's pairs between low and low + 2 bins. at: for each event a marker
 * near there, kept from peak to peak. */
static double mean_lag(const struct search *s, int first, int end, double low, int *at)
{
    const struct trains *t = s->t;
    double sum = 0, weight = 0;
    for (int j = first; j < end; j++) {
        double latest = t->seen[j] - low, earliest = latest - 2 * s->bin;
        int i = at[j - first];
        while (i > 0 && t->at[i - 1] > earliest)
            i--;
        at[j - first] = i;
        for (; i < t->markers && t->at[i] <= latest; i++) {
            double w = t->code[i] == t->seen_code[j] ? s->same[t->code[i]] : s->other;
            if (t->at[i] > earliest) {
                sum += w * (t->seen[j] - t->at[i]);
                weight += w;
            }
        }
    }
    return weight > 0 ? sum / weight : low + s->bin;
}

/* The peaks among the noted bins, in order of offset. */
static void find_peaks(struct search *s, int first, int end, double slack, int *at)
{
    float best = 0;
    qsort(s->notes, (size_t)s->note_count, sizeof *s->notes, by_size);
    for (int note = 0; note < s->note_count; note++) {
        float here = two_bins(s, s->notes[note]), before = two_bins(s, s->notes[note] - 1);
        here = here > before ? here : before;
        best = here > best ? here : best;
    }
    float least = best - (float)slack, all = 0;
    for (int j = first; j < end; j++)
        all += (float)s->same[s->t->seen_code[j]];
    least = fmaxf(least, fminf(WORTH, all / 2));
    size_t last = 0;
    s->peak_count = 0;
    for (int j = first; j < end; j++)
        at[j - first] = s->t->markers;
    for (int note = 0; note < s->note_count; note++) {
        for (size_t bin = s->notes[note] - 1; bin <= s->notes[note]; bin++) {
            float here = two_bins(s, bin);
            if (bin <= last || here < least || two_bins(s, bin - 1) > here ||
                two_bins(s, bin + 1) >= here)
                continue;
            last = bin;
            double low = s->lowest + (double)bin * s->bin;
            s->peaks[s->peak_count++] = (struct peak){mean_lag(s, first, end, low, at), here};
        }
    }
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
    struct search s = {.t = t, .same = same, .other = other, .bin = bin};
    struct results r = {0};
    struct open_line *open = NULL, *next = NULL;
    int count = 0, room = 0;
    s.lowest = t->seen[0] - t->at[t->markers - 1] - 8 * bin;
    size_t bins = (size_t)((t->seen[t->events - 1] - t->at[0] - s.lowest) / bin) + 16;
    s.score = calloc(bins, sizeof *s.score);
    s.noted = calloc(bins, sizeof *s.noted);
    int *at = malloc((size_t)length * sizeof *at);
    int fine = s.score && s.noted && at && make_room(&s);
    for (int w = 0; w < windows && fine; w++) {
        int end = first[w] + length < t->events ? first[w] + length : t->events;
        float most = add_window(&s, first[w], end);
        fine = note_bins(&s, first[w], end, (most - (float)slack) / 2);
        if (fine)
            find_peaks(&s, first[w], end, slack, at);
        clear_window(&s, first[w], end);
        if (fine && count + s.peak_count > room) {
            room = 2 * (count + s.peak_count);
            struct open_line *more = realloc(open, (size_t)room * sizeof *more);
            open = more ? more : open;
            struct open_line *also = realloc(next, (size_t)room * sizeof *also);
            next = also ? also : next;
            fine = more && also;
        }
        if (!fine)
            break;
        count = join_peaks(&s, &r, open, count, next, join, first[w], end);
        fine = count >= 0;
        struct open_line *swap = open;
        open = next;
        next = swap;
    }
    for (int line = 0; line < count && fine; line++)
        fine = put(&r, &open[line]);
    void *all[] = {open, next, s.score, s.noted, s.notes, s.peaks, at};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        free(all[i]);
    *found = r.found;
    if (!fine)
        free_proposals(r.found);
    return fine ? r.count : -1;
}

void free_proposals(struct proposal *found)
{
    free(found);
}
