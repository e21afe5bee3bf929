/* Markers: which tags may still come, and what the box remembers and tells of those that came. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "box_state.h"

/* Whether a tag is the one behind the newest: the usual case, in which little has to be done. From 255 to
 * 1 it isn't. */
static inline bool tag_is_next(const struct box *box, uint8_t tag)
{
    return (uint8_t)(box->newest_tag + 1) == tag;
}

/* Whether a tag is ahead of the newest one, so that its request has not come before. */
bool tag_is_ahead(const struct box *box, uint8_t tag);

/* A request with this tag came. If it is ahead, it is the newest, and each tag that was passed, its own
 * included, gives its place in the history up: what a place holds is never of an earlier round. */
void tag_came(struct box *box, uint8_t tag);

/* Nothing is remembered any more, and what is ahead counts from `tag`. */
void tags_begin(struct box *box, uint8_t tag);

/* Writes the answer to the question for the fate of the tag `asked`; returns the place behind it. */
uint8_t *fate_write(struct box *box, uint8_t asked, uint8_t *body);

/* Writes the body of the answer `fate`. */
uint8_t *fate_put(const struct fate *fate, uint32_t number, uint8_t *body);

/* What became of a marker, in one byte. */
uint8_t fate_state(uint8_t outcome, uint8_t reason, uint8_t notes);

/* The marker was accepted for a later time: remember and answer. */
void marker_accepted(struct box *box, const struct marker *marker, uint32_t number);

/* The marker waits for its gap. */
void marker_waits(struct box *box, const struct marker *marker);

/* The marker that is out now (box->lines): remember and tell. */
void marker_done(struct box *box);

/* The marker will not go out: remember and tell. */
void marker_refused(struct box *box, const struct marker *marker, uint8_t reason);
