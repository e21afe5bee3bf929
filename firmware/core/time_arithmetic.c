/* Arithmetic with box times, out of line. */
#include "time_arithmetic.h"

bool time_reached(const uint64_t *now, const uint64_t *at)
{
    return *now >= *at;
}

uint32_t time_since(const uint64_t *now, const uint64_t *then)
{
    uint64_t elapsed = *now - *then;
    return elapsed > UINT32_MAX ? UINT32_MAX : (uint32_t)elapsed;
}

void time_set(uint64_t *result, const uint64_t *time)
{
    *result = *time;
}

void time_after(uint64_t *result, const uint64_t *start, uint32_t us)
{
    *result = *start + us;
}
