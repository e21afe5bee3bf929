/* Requests from the host: checked, then handed to their handler. */
#pragma once

#include <stdint.h>

#include "bytes_and_counters.h"

struct box;

/* Carries out the request that the reader holds, or refuses it. */
OUT_OF_LINE void request_handle(struct box *box);

/* So that a marker's edge comes soon after its frame, what can be done ahead is done while the end of the
 * frame is still on the wire: the length at which that is, 0 for requests that have to wait; and the
 * getting ready. */
OUT_OF_LINE uint8_t request_body_end(uint8_t type);
OUT_OF_LINE void request_get_ready(struct box *box);
