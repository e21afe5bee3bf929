/* What a host asks about the probes: as the functions in request_handlers.h. */
#pragma once

#include <stdint.h>

struct box;

uint8_t handle_probe_levels(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_snippet_take(struct box *box, uint8_t tag, const uint8_t *body);
uint8_t handle_snippet_read(struct box *box, uint8_t tag, const uint8_t *body);
