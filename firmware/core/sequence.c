#include "sequence.h"

#include "times.h"

void sequence_empty(struct sequence *sequence)
{
    sequence->count = 0;
    sequence->once = 0;
    sequence->state = SEQUENCE_EMPTY;
    sequence->repeats = 0;
    sequence->played = 0;
    sequence->started = 0;
    sequence->ended = 0;
}

void sequence_add(struct sequence *sequence, uint8_t levels, uint32_t us)
{
    sequence->steps[sequence->count++] = (struct step){.levels = levels, .us = us};
    time_after(&sequence->once, &sequence->once, us);
    sequence->state = SEQUENCE_LOADED;
}

uint32_t sequence_most_repeats(const struct sequence *sequence)
{
    return UINT32_MAX / sequence->count;
}

void sequence_started(struct sequence *sequence, uint32_t repeats, const uint64_t *at)
{
    sequence->state = SEQUENCE_PLAYING;
    sequence->repeats = repeats;
    sequence->started = *at;
    sequence->will_end = repeats == 0 ? UINT64_MAX : *at + sequence->once * repeats;
    sequence->ended = 0;
}

void sequence_over(struct sequence *sequence, uint8_t state, const uint64_t *at)
{
    sequence->played = state == SEQUENCE_ENDED ? sequence->repeats * sequence->count : sequence_played(sequence, at);
    sequence->state = state;
    sequence->ended = *at;
}

uint32_t sequence_played(const struct sequence *sequence, const uint64_t *now)
{
    if (sequence->state != SEQUENCE_PLAYING)
        return sequence->played;
    uint64_t elapsed = *now - sequence->started;
    uint64_t whole = elapsed / sequence->once;
    uint32_t rounds = whole > UINT32_MAX ? UINT32_MAX : (uint32_t)whole;
    if (sequence->repeats != 0 && rounds >= sequence->repeats)
        return sequence->repeats * sequence->count;
    if (rounds >= sequence_most_repeats(sequence))
        return UINT32_MAX;

    uint64_t rest = elapsed % sequence->once;
    uint64_t ends = 0;
    uint32_t played = rounds * sequence->count;
    for (const struct step *step = sequence->steps; time_reached(&rest, &ends); step++) {
        time_after(&ends, &ends, step->us);
        played++;
    }
    return played;
}
