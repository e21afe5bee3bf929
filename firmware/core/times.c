#include "times.h"

#include <string.h>

/* A half of a time, without shifting 64 bits. */
static inline uint32_t half(const uint64_t *time, bool high)
{
    bool second = high == (__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__);
    uint32_t value;
    memcpy(&value, (const uint8_t *)time + (second ? sizeof value : 0), sizeof value);
    return value;
}

bool time_reached(const uint64_t *now, const uint64_t *at)
{
    return *now >= *at;
}

uint32_t time_since(const uint64_t *now, const uint64_t *then)
{
    uint32_t low = half(now, false);
    uint32_t before = half(then, false);
    uint32_t high = half(then, true) + (low < before);
    return high == half(now, true) ? low - before : UINT32_MAX;
}

void time_after(uint64_t *result, const uint64_t *start, uint32_t us)
{
    *result = *start + us;
}
