/* Numbers in messages, written; counters. */
#include "bytes_and_counters.h"

#include <string.h>

void counter_add(uint32_t *counter)
{
    if (++*counter == 0)
        --*counter;
}

uint8_t *bytes_put_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
    return at + 2;
}

uint8_t *bytes_put_u32(uint8_t *at, uint32_t value)
{
    return bytes_put_u16(bytes_put_u16(at, (uint16_t)value), (uint16_t)(value >> 16));
}

uint8_t *bytes_put_u64(uint8_t *at, const uint64_t *value)
{
    memcpy(at, value, sizeof *value); /* small chips are slow at shifting 64 bits */
    return at + sizeof *value;
}

void counter_add_many(uint32_t *counter, uint16_t by)
{
    while (by-- > 0)
        counter_add(counter);
}
