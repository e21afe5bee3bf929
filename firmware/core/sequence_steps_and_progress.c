/* The progress of a sequence that the board plays. */
#include "sequence_steps_and_progress.h"

#include <string.h>

#include "time_arithmetic.h"

/* As it is without a run. */
static OUT_OF_LINE void no_run(struct sequence *sequence, uint8_t state)
{
    sequence->state = state;
    sequence->repeats = 0;
    sequence->played = 0;
    sequence->started_us = 0;
    sequence->ended_us = 0;
}

void sequence_empty(struct sequence *sequence)
{
    if (sequence->count > 0) /* no marker waits, but places hold steps now */
        memset(sequence->places, 0, sizeof sequence->places);
    sequence->count = 0;
    no_run(sequence, SEQUENCE_EMPTY);
}

void sequence_add(struct sequence *sequence, uint8_t levels, uint32_t us)
{
    sequence->steps[sequence->count++] = (struct step){.levels = levels, .us = us};
    sequence->state = SEQUENCE_LOADED;
}

uint32_t sequence_most_repeats(const struct sequence *sequence)
{
    return UINT32_MAX / sequence->count;
}

void sequence_will_start(struct sequence *sequence, uint32_t repeats, const uint64_t *at)
{
    no_run(sequence, SEQUENCE_WAITS);
    sequence->repeats = repeats;
    time_set(&sequence->started_us, at);
}

void sequence_not_started(struct sequence *sequence)
{
    no_run(sequence, SEQUENCE_LOADED);
}

void sequence_started(struct sequence *sequence, uint32_t repeats, const uint64_t *at)
{
    sequence->state = SEQUENCE_PLAYING;
    sequence->repeats = repeats;
    sequence->played = 1;
    time_set(&sequence->started_us, at);
    sequence->ended_us = 0;
    sequence->step = 0;
    sequence->rounds = 0;
    time_after(&sequence->step_ends_us, at, sequence->steps[0].us);
}

bool sequence_go_on(struct sequence *sequence, const uint64_t *now)
{
    while (time_reached(now, &sequence->step_ends_us)) {
        if (++sequence->step == sequence->count) {
            sequence->step = 0;
            if (++sequence->rounds == sequence->repeats && sequence->repeats != 0)
                return true;
        }
        counter_add(&sequence->played);
        time_after(&sequence->step_ends_us, &sequence->step_ends_us, sequence->steps[sequence->step].us);
    }
    return false;
}

void sequence_over(struct sequence *sequence, uint8_t state, const uint64_t *at)
{
    sequence->state = state;
    time_set(&sequence->ended_us, at);
}
