/* Little-endian numbers in messages, whatever their alignment; and counters. */
#pragma once

#include <stdint.h>

#if __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "The core copies times and settings into messages as they lie in memory, with the low byte first."
#endif

/* For functions that cost an 8-bit chip less when they stand alone than in the middle of their callers. */
#ifdef _MSC_VER
#define OUT_OF_LINE __declspec(noinline)
#else
#define OUT_OF_LINE __attribute__((noinline))
#endif

/* One more; a counter stays at its highest value. */
OUT_OF_LINE void counter_add(uint32_t *counter);
void counter_add_many(uint32_t *counter, uint16_t by);

static inline uint16_t bytes_get_u16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)at[1] << 8);
}

static inline uint32_t bytes_get_u32(const uint8_t *at)
{
    return bytes_get_u16(at) | (uint32_t)bytes_get_u16(at + 2) << 16;
}

/* The put functions return the place behind the number, so that a body is written field by field. */
static inline uint8_t *bytes_put_u8(uint8_t *at, uint8_t value)
{
    *at = value;
    return at + 1;
}

uint8_t *bytes_put_u16(uint8_t *at, uint16_t value);
uint8_t *bytes_put_u32(uint8_t *at, uint32_t value);

/* By address: eight bytes take eight registers of an 8-bit chip. */
OUT_OF_LINE uint8_t *bytes_put_u64(uint8_t *at, const uint64_t *value);
