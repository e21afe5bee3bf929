/* Arithmetic with box times. By address and out of line: an 8-bit chip needs some 60 bytes of code for
 * each 64-bit operation that stands in line. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "bytes_and_counters.h"

/* Bits 32 to 47 of a time. A small chip would shift them down one by one. */
static inline uint16_t time_high(const uint64_t *time)
{
    return bytes_get_u16((const uint8_t *)time + 4);
}

/* Whether it is `at` by now, or later. */
OUT_OF_LINE bool time_reached(const uint64_t *now, const uint64_t *at);

/* Microseconds from `then` to `now`. More than 32 bits hold come to UINT32_MAX, which is above every
 * width, gap and limit. */
OUT_OF_LINE uint32_t time_since(const uint64_t *now, const uint64_t *then);

/* Sets `result` to that time, as an assignment would, which takes 64 bytes on such a chip. */
OUT_OF_LINE void time_set(uint64_t *result, const uint64_t *time);

/* Sets `result` to `us` microseconds after `start`. */
OUT_OF_LINE void time_after(uint64_t *result, const uint64_t *start, uint32_t us);
