/* The two inner loops of the recording check: which offsets may explain a stretch of a recording
 * (lag_histogram.c), and how probable each explanation of each marker is (forward_pass.c).
 *
 * Times are microseconds. An offset is recorded time minus log time. Arrays are in order of time;
 * lines are in order of offset. Densities are per microsecond. */
#ifndef TALLYMARK_KERNEL_H
#define TALLYMARK_KERNEL_H

#include <stdint.h>

#define SCALES 4

/* What is compared. hidden: probability that a marker makes no event of its own although all is
 * well. loose: markers without a box time, known to +-loose_reach. from, to: the time in which an
 * event may be its marker's; of neighbours they don't overlap. pauses: the file says that it
 * recorded nothing there. anchors: at recorded time anchor_at the offset anchor_offset is known to
 * +-anchor_reach; a path elsewhere is less probable by anchor_nats. */
struct trains {
    int markers;
    const double *at;
    const uint8_t *code;
    const double *hidden;
    int loose;
    const double *loose_at;
    const uint8_t *loose_code;
    double loose_reach;
    int events;
    const double *seen;
    const uint8_t *seen_code;
    const double *from;
    const double *to;
    double start;
    double end;
    int pauses;
    const double *pause_from;
    const double *pause_to;
    int anchors;
    const double *anchor_at;
    const double *anchor_offset;
    const double *anchor_reach;
    const double *anchor_nats;
};

/* Offsets that may hold; the first lies behind the log and the last before it, both for all segments.
 * Each for the segments first to last (both included). Segment s begins
 * with event s * segment. */
struct lines {
    int count;
    const double *offset;
    const int *first;
    const int *last;
    int segment;
};

/* The rates of the model. confusion: seen code by sent code, [seen * 256 + sent]. extra, unknown:
 * density of an event that no marker made, and of one whose marker lies at an offset that is not
 * among the lines. jump, deaf, lost: per microsecond, that the line changes, that nothing comes
 * through any more, that events come from no line. cell: width of a line. cut: share of the jumps that
 * lead from marker to marker, so that the size tells nothing. back: share of those that insert samples;
 * again: how probable it is that one more marker lies in what is inserted. found: share of the lost
 * that is back on a line at the next node. wide: share of the residuals that lie anywhere within
 * +-reach. */
struct rates {
    double missed;
    double confusion[65536];
    double extra[256];
    double unknown[256];
    double core;
    double tail;
    double reach;
    double loose_there;
    double jump;
    double cell;
    double size[SCALES];
    double cut;
    double back;
    double back_size;
    double again;
    double deaf;
    double deaf_ends;
    double deaf_missed;
    double lost;
    double found;
    double wide;
};

/* Of each marker: the two likeliest events (-1: none) and their probability, that of all others,
 * and of being missed, in a gap, outside, or of unknown place. Of each event: the same for its
 * markers (loose ones count from `markers` on), of being extra, and of unknown place. path: of the
 * likeliest path, the line at each event (-1: unknown) and the marker (-1: extra). seen_as:
 * expected counts of codes, [seen * 256 + sent]. */
struct verdicts {
    int *best;
    int *second;
    double *p_best;
    double *p_second;
    double *p_others;
    double *p_missed;
    double *p_gap;
    double *p_outside;
    double *p_unknown;
    int *event_best;
    double *event_p;
    double *event_others;
    double *event_extra;
    double *event_unknown;
    int *path_line;
    int *path_marker;
    double *seen_as;
    double evidence;
    double work;
};

/* Returns 0, or -1 without memory, -2 if more than `most` line steps or more range of numbers would be
 * needed. */
int path_sum(const struct trains *t, const struct lines *l, const struct rates *r, double most,
             struct verdicts *v);

/* Of each line the first and the last segment in which it can matter: all others are more than
 * `slack` nats worse than the best path. A line that matters nowhere gets last < first. Returns 0, or
 * -1 without memory. */
int narrow(const struct trains *t, const struct lines *l, const struct rates *r, double slack,
           int *first, int *last);

/* A line that a stretch of the recording proposes: from event `first` to before event `end`. */
struct proposal {
    double offset;
    double score;
    int first;
    int end;
};

/* Windows [first[i], first[i] + length) of events, each against all markers: every offset whose
 * score is at most `slack` below that of the window's best. same, other: what an event with a
 * marker's own or with another code adds to the score, by the marker's code. Offsets of windows
 * that follow each other are joined where they differ by less than `join`. Returns the number of
 * proposals, or -1 without memory. *found is for free_proposals. */
int propose(const struct trains *t, const int *first, int windows, int length, double bin,
            const double *same, double other, double slack, double join, struct proposal **found);
void free_proposals(struct proposal *found);

#endif
