/* What a host asks about the probes: their levels, and a piece of the signal itself. */
#include "probe_requests.h"

#include "box_state.h"
#include "bytes_and_counters.h"
#include "message_output.h"

uint8_t handle_probe_levels(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)body;
    struct probe_levels levels;
    board_probe_levels(box->board, &levels);
#if BOARD_ANALOG_INPUTS > 0
    for (uint8_t input = 0; input < BOARD_ANALOG_INPUTS; input++)
        levels.on |= (uint8_t)(box->probes.levels[input].on << input);
#endif
    uint8_t *at = send_body_now(box);
    at = bytes_put_u8(at, levels.on);
    for (uint8_t input = 0; input < 2; input++)
        at = bytes_put_u16(bytes_put_u16(at, levels.low[input]), levels.high[input]);
    send_answer(box, ANSWER_PROBE_LEVELS, tag, at);
    return REASON_NONE;
}

#if BOARD_ANALOG_INPUTS > 0
uint8_t handle_snippet_take(struct box *box, uint8_t tag, const uint8_t *body)
{
    if (body[0] >= BOARD_ANALOG_INPUTS)
        return REASON_VALUE_RANGE;
    if (body[1] == 0)
        return box_refuse(box, REASON_VALUE_RANGE, 1);
    board_snippet_take(box->board, body[0], body[1]);
    send_done_now(box, tag);
    return REASON_NONE;
}

uint8_t handle_snippet_read(struct box *box, uint8_t tag, const uint8_t *body)
{
    uint16_t first = bytes_get_u16(body);
    uint16_t samples[SNIPPET_IN_FRAME];
    struct snippet snippet;
    uint8_t count = board_snippet_read(box->board, first, &snippet, samples, SNIPPET_IN_FRAME);
    uint8_t *at = bytes_put_u64(send_body(box), &snippet.time_us);
    at = bytes_put_u16(at, snippet.interval_us);
    at = bytes_put_u16(at, snippet.taken);
    at = bytes_put_u16(at, first);
    for (uint8_t n = 0; n < count; n++)
        at = bytes_put_u16(at, samples[n]);
    send_answer(box, ANSWER_SNIPPET, tag, at);
    return REASON_NONE;
}
#else
uint8_t handle_snippet_take(struct box *box, uint8_t tag, const uint8_t *body)
{
    (void)box;
    (void)tag;
    (void)body;
    return REASON_UNSUPPORTED;
}

uint8_t handle_snippet_read(struct box *box, uint8_t tag, const uint8_t *body)
{
    return handle_snippet_take(box, tag, body);
}
#endif
