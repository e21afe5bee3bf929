/* Edges of the probes: found in levels, noted with their time, and told. */
#include "probes.h"

#include "box_state.h"
#include "bytes_and_counters.h"
#include "message_output.h"

_Static_assert((BOARD_PROBE_EDGES & (BOARD_PROBE_EDGES - 1)) == 0 && BOARD_PROBE_EDGES <= 128,
               "the indices are one byte and wrap");

void probes_begin(struct box *box)
{
    const struct settings *settings = &box->settings;
#if BOARD_ANALOG_INPUTS > 0
    for (uint8_t input = 0; input < BOARD_ANALOG_INPUTS; input++) {
        bool patient = input == INPUT_SOUND || settings->probes & PROBES_LIGHT_STEADY;
        box->probes.levels[input] = (struct probe_level){
            .threshold = settings->analog[input].threshold,
            .release = (uint16_t)(settings->analog[input].threshold - settings->analog[input].hysteresis),
            .silence_us = patient ? PROBE_SILENCE_US : 0,
            .watched = settings->probes >> input & 1};
    }
#endif
    board_probes(box->board, settings->probes);
}

void box_probe(struct box *box, uint64_t time, uint8_t source, bool on)
{
    struct probes *probes = &box->probes;
    BOARD_BY_POINTER(probes);
    uint8_t state = (uint8_t)(source << 1 | on);
    if ((uint8_t)(probes->added - probes->taken) == BOARD_PROBE_EDGES) {
        if (probes->losing < UINT8_MAX)
            probes->losing++;
        counter_add(&box->counters[COUNT_EDGES_LOST]);
    } else {
        captured_note(&probes->edges[probes->added % BOARD_PROBE_EDGES], &time, true, state, probes->losing);
        probes->losing = 0;
        probes->added++;
    }
    if (box->capture.on && !capture_add(&box->capture, &time, true, state))
        counter_add(&box->counters[COUNT_EDGES_LOST]);
}

#if BOARD_ANALOG_INPUTS > 0
void box_probe_missed(struct box *box)
{
    box->probes.losing = UINT8_MAX;
    counter_add(&box->counters[COUNT_EDGES_LOST]);
    for (uint8_t input = 0; input < BOARD_ANALOG_INPUTS; input++)
        box->probes.levels[input].known = false;
}

void box_probe_level(struct box *box, uint64_t time, uint8_t input, uint16_t level)
{
    struct probe_level *probe = &box->probes.levels[input];
    bool above = level >= (probe->on ? probe->release : probe->threshold);
    if (!probe->watched)
        return;
    if (!probe->known) {
        probe->known = true;
        probe->on = above;
        return;
    }
    if (above) {
        probe->fading = false;
        if (probe->on)
            return;
        probe->on = true;
        box_probe(box, time, (uint8_t)(SOURCE_LIGHT_LEVEL + input), true);
    } else if (probe->on) {
        if (!probe->fading)
            probe->since_us = time;
        probe->fading = true;
        if (time - probe->since_us < probe->silence_us)
            return;
        probe->on = false;
        probe->fading = false;
        box_probe(box, probe->since_us, (uint8_t)(SOURCE_LIGHT_LEVEL + input), false);
    }
}
#endif

/* How many entries the next message has. */
static uint8_t entries_to_send(const struct probes *probes)
{
    uint8_t waiting = (uint8_t)(probes->added - probes->taken);
    uint8_t count = 1;
    while (count < EDGES_IN_FRAME && count < waiting) {
        if (probes->edges[(uint8_t)(probes->taken + count) % BOARD_PROBE_EDGES].lost > 0)
            break; /* a loss is told in front of a message's first entry only */
        count++;
    }
    return count;
}

static uint8_t *write_entries(struct probes *probes, uint8_t *at, uint8_t count)
{
    at = bytes_put_u8(at, probes->edges[probes->taken % BOARD_PROBE_EDGES].lost);
    for (; count > 0; count--) {
        at = captured_write(&probes->edges[probes->taken % BOARD_PROBE_EDGES], at);
        probes->taken++; /* not before: an interrupt may use the place again */
    }
    return at;
}

OUT_OF_LINE void probes_send(struct box *box)
{
    struct probes *probes = &box->probes;
#ifdef BOARD_LETS_MARKERS_IN
    struct slow_notice notice;
    let_markers_in(true);
    uint8_t count = send_has_room(box, PROBE_EDGES_BODY_LONGEST) ? entries_to_send(probes) : 0;
    let_markers_in(false);
    if (count == 0)
        return;
    slow_notice_begin(box, &notice, NOTICE_PROBE_EDGES, (uint8_t)(1 + count * EDGE_LENGTH));
    slow_notice_end(box, &notice, write_entries(probes, notice.wire + 3, count));
#else
    if (send_has_room(box, PROBE_EDGES_BODY_LONGEST))
        send_notice(box, NOTICE_PROBE_EDGES, write_entries(probes, send_body(box), entries_to_send(probes)));
#endif
}
