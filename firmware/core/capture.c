/* The ring of captured changes of the readback. */
#include "capture.h"

#include "byte_order.h"
#include "messages.h"

_Static_assert((BOARD_EDGES & (BOARD_EDGES - 1)) == 0 && BOARD_EDGES <= 128,
               "the indices are one byte and wrap");

void capture_empty(struct capture *capture)
{
    capture->taken = capture->added;
    capture->losing = 0;
}

bool capture_add(struct capture *capture, uint64_t time, uint8_t levels)
{
    if ((uint8_t)(capture->added - capture->taken) == BOARD_EDGES) {
        if (capture->losing < UINT8_MAX)
            capture->losing++;
        return false;
    }
    struct captured *edge = &capture->edges[capture->added % BOARD_EDGES];
    edge->time_us = time;
    edge->levels = levels;
    edge->lost = capture->losing;
    capture->losing = 0;
    capture->added++;
    return true;
}

uint8_t *capture_take(struct capture *capture, uint8_t *body)
{
    uint8_t *at = body + 1;
    body[0] = 0;
    /* nobody adds any more: what was lost at the end can be told */
    if (capture_is_empty(capture) && !capture->on) {
        body[0] = capture->losing;
        capture->losing = 0;
    }
    for (uint8_t count = 0; count < EDGES_IN_FRAME && !capture_is_empty(capture); count++) {
        const struct captured *edge = &capture->edges[capture->taken % BOARD_EDGES];
        if (count > 0 && edge->lost > 0)
            break; /* a loss is told in front of a message's first entry only */
        if (count == 0)
            body[0] = edge->lost;
        at = bytes_put_u8(bytes_put_u64(at, edge->time_us), edge->levels);
        capture->taken++;
    }
    return at;
}
