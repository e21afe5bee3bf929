/* The ring of captured changes of the readback. */
#include "capture_ring.h"

#include "bytes_and_counters.h"
#include "time_arithmetic.h"

_Static_assert((BOARD_EDGES & (BOARD_EDGES - 1)) == 0 && BOARD_EDGES <= 128,
               "the indices are one byte and wrap");

static const struct captured *oldest(const struct capture *capture)
{
    return &capture->edges[capture->taken % BOARD_EDGES];
}

void capture_empty(struct capture *capture)
{
    capture->taken = capture->added;
    capture->losing = 0;
    capture->number = 0;
    capture->written = 0;
}

void captured_note(struct captured *edge, const uint64_t *time, bool probe, uint8_t levels, uint8_t lost)
{
    edge->time_us = (uint32_t)*time;
    edge->time_high = (uint16_t)(time_high(time) | (probe ? CAPTURED_PROBE : 0));
    edge->levels = levels;
    edge->lost = lost;
}

uint8_t *captured_write(const struct captured *edge, uint8_t *at)
{
    bool probe = edge->time_high & CAPTURED_PROBE;
    at = bytes_put_u16(bytes_put_u32(at, edge->time_us), edge->time_high & (uint16_t)~CAPTURED_PROBE);
    at = bytes_put_u8(bytes_put_u16(at, 0), probe ? edge->levels >> 1 : SOURCE_READBACK);
    return bytes_put_u8(at, probe ? edge->levels & 1 : edge->levels);
}

bool capture_add(struct capture *capture, const uint64_t *time, bool probe, uint8_t levels)
{
    if ((uint8_t)(capture->added - capture->taken) == BOARD_EDGES) {
        if (capture->losing < UINT8_MAX)
            capture->losing++;
        return false;
    }
    captured_note(&capture->edges[capture->added % BOARD_EDGES], time, probe, levels, capture->losing);
    capture->losing = 0;
    capture->added++;
    return true;
}

uint8_t *capture_write(struct capture *capture, uint8_t *body)
{
    uint8_t lost = 0;
    if (!capture_is_empty(capture))
        lost = oldest(capture)->lost;
    else if (!capture->on) /* nobody adds any more: what was lost at the end can be told */
        lost = capture->losing;
    uint8_t *at = bytes_put_u8(bytes_put_u32(body, capture->number + lost), lost);
    uint8_t place = capture->taken;
    uint8_t count = 0;
    for (; count < EDGES_IN_FRAME && place != capture->added; count++, place++) {
        const struct captured *edge = &capture->edges[place % BOARD_EDGES];
        if (count > 0 && edge->lost > 0)
            break; /* a loss is told in front of a message's first entry only */
        at = captured_write(edge, at);
    }
    capture->written = count;
    return at;
}

static OUT_OF_LINE void drop_oldest(struct capture *capture)
{
    capture->number += oldest(capture)->lost + 1u;
    capture->taken++;
}

void capture_drop_written(struct capture *capture)
{
    for (; capture->written > 0; capture->written--)
        drop_oldest(capture);
}

/* Numbers wrap, and are compared within half their range. */
void capture_drop_before(struct capture *capture, uint32_t first)
{
    while (!capture_is_empty(capture) && (int32_t)(capture->number + oldest(capture)->lost - first) < 0)
        drop_oldest(capture);
    if (capture_is_empty(capture) && !capture->on && (int32_t)(first - capture->number) >= capture->losing) {
        capture->number += capture->losing;
        capture->losing = 0;
    }
}
