/* Markers: where they came from, and what the box remembers and tells of them. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

struct box;
struct fate;
struct marker;



/* Each tag has its one place in the history, so that looking it up takes no time. */
struct fate *fate_of(struct box *box, uint8_t tag);
bool fate_is_known(struct box *box, uint8_t tag);

/* A request that is no marker came with this tag: whatever other tag has the place gives it up. So each
 * tag finds its place free when the host's count comes round to it again, whichever requests were markers. */
void fate_forget(struct box *box, uint8_t tag);

/* The marker waits for its gap. */
void marker_waits(struct box *box, const struct marker *marker);

/* The marker that is out now (box->lines): remember and tell. */
void marker_done(struct box *box);

/* The marker will not go out: remember and tell. */
void marker_refused(struct box *box, const struct marker *marker, uint8_t reason);
