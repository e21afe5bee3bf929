/* Arithmetic with box times, out of line. */
#include "time_arithmetic.h"

#include <string.h>

/* The halves of a time, with which an 8-bit chip calculates at half the cost. It takes them out of memory,
 * where a chip with wide registers shifts. */
static inline uint32_t lower(const uint64_t *time)
{
    return (uint32_t)*time;
}

#if UINTPTR_MAX > UINT16_MAX
static inline uint32_t upper(const uint64_t *time)
{
    return (uint32_t)(*time >> 32);
}

static inline void put_halves(uint64_t *time, uint32_t high, uint32_t low)
{
    *time = (uint64_t)high << 32 | low;
}
#else
static inline uint32_t upper(const uint64_t *time)
{
    uint32_t half;
    memcpy(&half, (const uint8_t *)time + sizeof half, sizeof half);
    return half;
}

static inline void put_halves(uint64_t *time, uint32_t high, uint32_t low)
{
    memcpy(time, &low, sizeof low);
    memcpy((uint8_t *)time + sizeof low, &high, sizeof high);
}
#endif

bool time_reached(const uint64_t *now, const uint64_t *at)
{
    if (upper(now) != upper(at))
        return upper(now) > upper(at);
    return lower(now) >= lower(at);
}

uint32_t time_since(const uint64_t *now, const uint64_t *then)
{
    uint32_t elapsed = lower(now) - lower(then);
    uint32_t high = upper(now) - upper(then);
    if (elapsed > lower(now)) /* borrowed */
        high--;
    return high == 0 ? elapsed : UINT32_MAX;
}

void time_set(uint64_t *result, const uint64_t *time)
{
    *result = *time;
}

void time_after(uint64_t *result, const uint64_t *start, uint32_t us)
{
    uint32_t low = lower(start) + us;
    uint32_t high = upper(start);
    if (low < us)
        high++;
    put_halves(result, high, low);
}
