/* Multiplication and division of times by 16, the cycles of a microsecond. */
#pragma once

#include <stdint.h>

/* Shifts by four, by exchanging the halves of bytes: the compiler makes loops of them, which take 20 cycles
 * and more. The first one makes cycles of microseconds, low 16 bits. */
static inline __attribute__((always_inline)) uint16_t in_cycles(uint16_t us)
{
    __asm__("swap %A[us]       \n\t"
            "swap %B[us]       \n\t"
            "andi %B[us], 0xF0 \n\t"
            "eor %B[us], %A[us] \n\t"
            "andi %A[us], 0xF0 \n\t"
            "eor %B[us], %A[us] \n\t"
            : [us] "+d"(us));
    return us;
}

static inline __attribute__((always_inline)) __uint24 sixteenth(__uint24 of)
{
    __asm__("swap %A[of]       \n\t"
            "swap %B[of]       \n\t"
            "swap %C[of]       \n\t"
            "andi %A[of], 0x0F \n\t"
            "eor %A[of], %B[of] \n\t"
            "andi %B[of], 0x0F \n\t"
            "eor %A[of], %B[of] \n\t"
            "eor %B[of], %C[of] \n\t"
            "andi %C[of], 0x0F \n\t"
            "eor %B[of], %C[of] \n\t"
            : [of] "+d"(of));
    return of;
}
