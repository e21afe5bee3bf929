/* What the files of the path share. */
#ifndef TALLYMARK_STATE_H
#define TALLYMARK_STATE_H

#include "kernel.h"

#define DEAF_POWERS 64
#define NOTHING 1e-15

enum kind { NODE, EVENT, SEGMENT, PAUSE, END };

/* before: where the step starts; x: where its advance ends. time: microseconds for which a node
 * stands. which: number of the event, segment or pause. */
struct step {
    double before;
    double x;
    double time;
    int which;
    enum kind kind;
};

/* The lines of one segment and their probabilities. place: markers whose time at the line is below
 * the present x. decay, back: of jumps from the line below. unknown: no line is known; entered: not
 * since an event yet, so that it can't serve to pass markers by. */
struct active {
    int count;
    int segment;
    int *id;
    int *place;
    int *loose;
    double *offset;
    double *heard;
    double *deaf;
    double *decay;
    double *back;
    double entered;
    double unknown;
};

/* The same for what comes after. */
struct later {
    double *heard;
    double *deaf;
    double entered;
    double unknown;
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
    double per_back;
    double work;
    double *into, *out, *down, *target, *missed, *reached;
    int *before;
    double *here;
    int *touched;
    int touched_count;
    int *event_second;
    double *event_p_second;
    double *gap, *outside, *lost;
    const int *later_id;
    int later_count;
    int trace_line;
    int trace_deaf;
};

int place_at(const struct walk *w, int hint, double x);
void set_lines(const struct walk *w, struct active *a, int segment);
void change_lines(const struct walk *w, struct active *a, int segment);

double stay_rate(const struct rates *r, double time);
double jump_density(const struct walk *w, double lost);
void lost_into(const struct walk *w, const struct active *a, const double *from, double *into);
void inserted_into(const struct walk *w, const struct active *a, const double *from, double *into);

double forward(struct walk *w, struct active *a, const struct step *step);
void backward(struct walk *w, struct active *a, const struct step *step, struct later *b);

void trace_end(struct walk *w, const struct active *a);
void trace_node(struct walk *w, const struct active *a, const struct step *step, double jumped);
void trace_segment(struct walk *w, const struct active *a);

#endif
