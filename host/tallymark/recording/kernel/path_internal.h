/* What the files of the path share. */
#ifndef TALLYMARK_PATH_INTERNAL_H
#define TALLYMARK_PATH_INTERNAL_H

#include <float.h>

#include "kernel.h"

#define DEAF_POWERS 64
#define MOST_AGAIN 8 /* more markers than may lie in what was inserted */
#define NOTHING 1e-15
#define SAME_AGAIN 0.01 /* share of strays that come back to the line that they left */

/* A probability of a path. One that looks bad for a long while may be the best in the end; where it
 * costs no time, the range is one that never ends before. */
#if defined(__x86_64__) || defined(__i386__)
typedef long double mass;
#define LEAST_MASS LDBL_MIN
#else
typedef double mass;
#define LEAST_MASS DBL_MIN
#endif

enum kind { NODE, EVENT, SEGMENT, PAUSE, ANCHOR, END };

enum mode { HEARD, DEAF, STRAYED };

/* before: where the step starts; x: where its advance ends. time: microseconds for which a node
 * stands, or since the event before. which: number of the event, segment, pause or
 * anchor. */
struct step {
    double before;
    double x;
    double time;
    int which;
    enum kind kind;
};

/* The lines of one segment and their probabilities. place: markers whose time at the line is below
 * the present x. heard: the line holds; deaf: nothing comes through; strayed: events come from a place
 * that is no line, since this one was left. decay, back: of jumps from the line below. unknown: no
 * line has held yet. */
struct active {
    int count;
    int segment;
    int *id;
    int *place;
    int *loose;
    double *offset;
    mass *heard;
    mass *deaf;
    mass *strayed;
    double *decay;
    double *back;
    mass unknown;
};

/* The same for what comes after. */
struct later {
    mass *heard;
    mass *deaf;
    mass *strayed;
    mass unknown;
};

struct walk {
    const struct trains *t;
    const struct lines *l;
    const struct rates *r;
    struct verdicts *v;
    double *event;
    double *no_event;
    double deaf_power[DEAF_POWERS];
    double per_scale[SCALES];
    double per_cut, cut_here;
    double per_back;
    double again[MOST_AGAIN];
    double stray;
    double work;
    mass *into, *out, *down, *target, *reached, *source;
    double *missed;
    int *before, *heir;
    double *here;
    int *touched;
    int touched_count;
    int *event_second;
    double *event_p_second;
    double *gap, *outside, *lost;
    int *later_id;
    int later_count;
    int nothing_left;
    int trace_line;
    enum mode trace_mode;
};

int count_before(const double *times, int count, double x);
int place_at(const struct walk *w, int hint, double x);
void set_lines(const struct walk *w, struct active *a, int segment);
int find_heirs(const struct active *a, const int *id, int count, int *heir);
void change_lines(const struct walk *w, struct active *a, int segment);

double start_rate(const struct walk *w, const struct active *a, double x);
void set_cut(struct walk *w, double x);
double stay_rate(const struct rates *r, double time);
double anchor_factor(const struct trains *t, int anchor, double offset);
double jump_density(const struct walk *w, double lost);
void lost_into(const struct walk *w, const struct active *a, const mass *from, mass *into);
double again_between(const struct walk *w, const struct active *a, int higher, int lower, double x);
void inserted_into(const struct walk *w, const struct active *a, double x, const mass *from,
                   mass *into);
void jumps_out(const struct walk *w, const struct active *a, double x, const mass *to, mass *down,
               mass *out);

mass forward(struct walk *w, struct active *a, const struct step *step);
void backward(struct walk *w, struct active *a, const struct step *step, struct later *b);

void trace_end(struct walk *w, const struct active *a);
void trace_node(struct walk *w, const struct active *a, const struct step *step, int look);
void trace_event(struct walk *w, const struct active *a, const struct step *step);
void trace_segment(struct walk *w, const struct active *a, const int *stays);

#endif
