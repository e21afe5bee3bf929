/* The lines' two ports, written on the exact cycle. In line, as the cycles are counted. */
#pragma once

#include <avr/io.h>
#include <stdint.h>

#include "pins.h"

#define ALWAYS_INLINE static inline __attribute__((always_inline))

/* Cycles from the edge to the count that is read behind it. */
#define COUNT_AFTER_EDGE 2

/* Cycles from the count that is read before an edge to the edge, with nothing to wait for: 2 + 2 + 1 + 1 +
 * 1 for reading and subtracting, 3 for the loop's last turn, 2 + 2 + 2 for the rest. */
#define WAIT_OVERHEAD 16

/* What the ports have to hold for the levels. D0 and D1 belong to the serial port, whatever is written
 * there. */
ALWAYS_INLINE uint8_t port_d(uint8_t levels)
{
    return (uint8_t)(levels << PIN_OUT_D_SHIFT);
}

ALWAYS_INLINE uint8_t port_b(uint8_t levels)
{
    return (uint8_t)((PORTB & (uint8_t)~PIN_OUT_B_MASK) | levels >> PIN_OUT_B_SHIFT);
}

/* Writes both ports, the second one cycle after the first. Returns Timer 1's count at the first write. */
ALWAYS_INLINE uint16_t write_ports(uint8_t d, uint8_t b)
{
    uint16_t count;
    __asm__ volatile("out %[portd], %[d]   \n\t"
                     "out %[portb], %[b]   \n\t"
                     "lds %A[count], %[tl] \n\t"
                     "lds %B[count], %[th] \n\t"
                     : [count] "=r"(count)
                     : [portd] "I"(_SFR_IO_ADDR(PORTD)), [portb] "I"(_SFR_IO_ADDR(PORTB)), [d] "r"(d),
                       [b] "r"(b), [tl] "n"(_SFR_MEM_ADDR(TCNT1L)), [th] "n"(_SFR_MEM_ADDR(TCNT1H)));
    return count - COUNT_AFTER_EDGE;
}

/* Writes both ports when Timer 1 counts `at`, to the cycle; at once if that has been. */
ALWAYS_INLINE void write_ports_at(uint16_t at, uint8_t d, uint8_t b)
{
    uint16_t left = at - WAIT_OVERHEAD;
    uint16_t count;
    __asm__ volatile("lds %A[count], %[tl]     \n\t"
                     "lds %B[count], %[th]     \n\t"
                     "sub %A[left], %A[count]  \n\t"
                     "sbc %B[left], %B[count]  \n\t"
                     "brmi 4f                  \n\t" /* too late */
                     "1: sbiw %[left], 4       \n\t" /* four cycles a turn ... */
                     "brcc 1b                  \n\t"
                     "sbrc %A[left], 0         \n\t" /* ... one more if the rest is odd ... */
                     "rjmp 2f                  \n\t"
                     "2: sbrc %A[left], 1      \n\t" /* ... and two more if it is 2 or 3 */
                     "rjmp 3f                  \n\t"
                     "3: sbrc %A[left], 1      \n\t"
                     "rjmp 4f                  \n\t"
                     "4: out %[portd], %[d]    \n\t"
                     "out %[portb], %[b]       \n\t"
                     : [left] "+w"(left), [count] "=&r"(count)
                     : [portd] "I"(_SFR_IO_ADDR(PORTD)), [portb] "I"(_SFR_IO_ADDR(PORTB)), [d] "r"(d),
                       [b] "r"(b), [tl] "n"(_SFR_MEM_ADDR(TCNT1L)), [th] "n"(_SFR_MEM_ADDR(TCNT1H)));
}
