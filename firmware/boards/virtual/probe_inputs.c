#include "probe_inputs.h"

#include <string.h>

#include "board.h"
#include "box_state.h"
#include "virtual.h"

#define COMPARATOR_ON 0x8000u
#define COMPARATOR_OFF 0x7800u
#define SAMPLE_US 10u /* of snippets, as on the Pico */
#define SNIPPET_MOST 2048u
#define LOOK_BACK_US 10000u

void inputs_start(struct probe_inputs *inputs, uint64_t now)
{
    for (size_t n = inputs->begun; n != inputs->queued; n++) {
        struct probe_change *change = &inputs->waiting[n % PROBE_CHANGES];
        change->time = change->time > now ? change->time - now : 0;
    }
    inputs->made = 0;
    for (uint8_t input = 0; input < 2; input++) /* what was there before the first change */
        inputs->past[inputs->made++] = (struct probe_change){0, input, inputs->level[input]};
    inputs->watched = 0;
    inputs->snippet_every = 0;
    inputs->look_again[0] = inputs->look_again[1] = VIRTUAL_NEVER;
}

bool inputs_add(struct probe_inputs *inputs, uint8_t input, uint16_t level, uint64_t time)
{
    if (input >= PROBE_INPUTS || inputs->queued - inputs->begun == PROBE_CHANGES)
        return false;
    size_t place = inputs->queued++;
    for (; place != inputs->begun; place--) { /* those at the same time keep their order */
        const struct probe_change *before = &inputs->waiting[(place - 1) % PROBE_CHANGES];
        if (before->time <= time)
            break;
        inputs->waiting[place % PROBE_CHANGES] = *before;
    }
    inputs->waiting[place % PROBE_CHANGES] = (struct probe_change){time, input, level};
    return true;
}

uint64_t inputs_next(const struct probe_inputs *inputs)
{
    uint64_t next = VIRTUAL_NEVER;
    if (inputs->begun != inputs->queued)
        next = inputs->waiting[inputs->begun % PROBE_CHANGES].time;
    for (int input = 0; input < 2; input++)
        if (inputs->look_again[input] < next)
            next = inputs->look_again[input];
    return next;
}

/* The core looks at an analog input now, and again when silence would be over. */
static void look(struct probe_inputs *inputs, struct box *box, uint8_t input, uint64_t now)
{
    const struct probe_level *probe = &box->probes.levels[input];
    box_probe_level(box, now, input, inputs->level[input]);
    inputs->look_again[input] = probe->fading ? probe->since_us + probe->silence_us : VIRTUAL_NEVER;
}

static bool ttl_is_on(const struct probe_inputs *inputs)
{
    return inputs->high[2] != ((inputs->watched & PROBES_TTL_LOW) != 0);
}

static void begin(struct probe_inputs *inputs, struct box *box, const struct probe_change *change,
                  uint64_t now)
{
    uint8_t input = change->input;
    inputs->level[input] = change->level;
    bool high = change->level >= (inputs->high[input] ? COMPARATOR_OFF : COMPARATOR_ON);
    bool changed = high != inputs->high[input];
    inputs->high[input] = high;
    if (changed && inputs->watched & (PROBES_LIGHT_EDGE << input))
        box_probe(box, now, (uint8_t)(SOURCE_LIGHT_EDGE + input), input == 2 ? ttl_is_on(inputs) : high);
    if (input < 2) {
        inputs->past[inputs->made++ % PROBE_CHANGES] = (struct probe_change){now, input, change->level};
        look(inputs, box, input, now);
    }
}

void inputs_change(struct probe_inputs *inputs, struct box *box, uint64_t now)
{
    while (inputs->begun != inputs->queued) {
        const struct probe_change change = inputs->waiting[inputs->begun % PROBE_CHANGES];
        if (change.time > now)
            break;
        inputs->begun++;
        begin(inputs, box, &change, now);
    }
    for (uint8_t input = 0; input < 2; input++)
        if (inputs->look_again[input] <= now)
            look(inputs, box, input, now);
}

void board_probes(struct board *board, uint8_t probes)
{
    struct probe_inputs *inputs = board_inputs(board);
    inputs->watched = probes;
    for (uint8_t input = 0; input < 2; input++)
        look(inputs, board_box(board), input, board_time(board));
}

/* Level of an analog input at a time that is past. */
static uint16_t level_at(const struct probe_inputs *inputs, uint8_t input, uint64_t time)
{
    uint16_t level = inputs->level[input];
    bool found = false;
    size_t held = inputs->made < PROBE_CHANGES ? inputs->made : PROBE_CHANGES;
    for (size_t back = 1; back <= held && !found; back++) {
        const struct probe_change *change = &inputs->past[(inputs->made - back) % PROBE_CHANGES];
        if (change->input != input)
            continue;
        level = change->level;
        found = change->time <= time;
    }
    return level;
}

static void level_range(const struct probe_inputs *inputs, uint8_t input, uint64_t now, uint16_t *low,
                        uint16_t *high)
{
    uint64_t since = now > LOOK_BACK_US ? now - LOOK_BACK_US : 0;
    size_t held = inputs->made < PROBE_CHANGES ? inputs->made : PROBE_CHANGES;
    *low = *high = inputs->level[input];
    for (size_t back = 1; back <= held; back++) {
        const struct probe_change *change = &inputs->past[(inputs->made - back) % PROBE_CHANGES];
        if (change->input != input)
            continue;
        if (change->level < *low)
            *low = change->level;
        if (change->level > *high)
            *high = change->level;
        if (change->time <= since)
            break; /* the level with which that time began */
    }
}

void board_probe_levels(struct board *board, struct probe_levels *levels)
{
    const struct probe_inputs *inputs = board_inputs(board);
    levels->on = 0;
    for (uint8_t input = 0; input < PROBE_INPUTS; input++)
        if (input == 2 ? ttl_is_on(inputs) : inputs->high[input])
            levels->on |= (uint8_t)(PROBES_LIGHT_EDGE << input);
    for (uint8_t input = 0; input < 2; input++)
        level_range(inputs, input, board_time(board), &levels->low[input], &levels->high[input]);
}

void board_snippet_take(struct board *board, uint8_t input, uint8_t every)
{
    struct probe_inputs *inputs = board_inputs(board);
    inputs->snippet_since = board_time(board);
    inputs->snippet_input = input;
    inputs->snippet_every = every;
}

uint8_t board_snippet_read(struct board *board, uint16_t first, struct snippet *snippet, uint16_t *samples,
                           uint8_t most)
{
    const struct probe_inputs *inputs = board_inputs(board);
    uint32_t interval = inputs->snippet_every * SAMPLE_US;
    uint64_t taken = interval == 0 ? 0 : (board_time(board) - inputs->snippet_since) / interval;
    snippet->taken = (uint16_t)(taken < SNIPPET_MOST ? taken : SNIPPET_MOST);
    snippet->interval_us = (uint16_t)interval;
    snippet->time_us = interval == 0 ? 0 : inputs->snippet_since + (uint64_t)first * interval;
    uint8_t count = 0;
    for (; count < most && first + count < snippet->taken; count++)
        samples[count] =
            level_at(inputs, inputs->snippet_input, snippet->time_us + (uint64_t)count * interval);
    return count;
}
