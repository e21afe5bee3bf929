/* Box time: Timer 1 counts CPU cycles, 65,536 of them are 4,096 microseconds. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board_internal.h"

#define OVERFLOW_US 4096UL

/* Box time of the last overflow. Its low 12 bits are always 0, so that the timer's count only has to be
 * put there. */
union time {
    uint64_t us;
    uint32_t low;
    uint8_t byte[8];
};

static union time overflowed;

ISR(TIMER1_OVF_vect)
{
    overflowed.byte[1] += 0x10;
    for (uint8_t i = 2; i < 8 && overflowed.byte[i - 1] == 0; i++)
        overflowed.byte[i]++;
}

void clock_start(void)
{
    TCCR1A = 0;
    TCNT1 = 0;
    TIFR1 = _BV(TOV1) | _BV(OCF1A);
    TIMSK1 = _BV(TOIE1);
    TCCR1B = _BV(CS10);
}

uint64_t clock_time_of(uint16_t ticks)
{
    uint64_t time;
    bool pending; /* the interrupt of an overflow is still to come */
    uint16_t now;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        time = overflowed.us;
        now = TCNT1;
        pending = TIFR1 & _BV(TOV1);
    }
    if (pending && now < 0x8000)
        time += OVERFLOW_US;
    if (ticks > now) /* the moment was before the overflow */
        time -= OVERFLOW_US;
    return time | ticks >> 4;
}

uint32_t clock_us_of(uint16_t ticks)
{
    uint32_t time = overflowed.low;
    uint16_t now = TCNT1;
    if ((TIFR1 & _BV(TOV1)) && now < 0x8000)
        time += OVERFLOW_US;
    if (ticks > now)
        time -= OVERFLOW_US;
    return time | ticks >> 4;
}

uint8_t clock_beat(void)
{
    return *(volatile uint8_t *)&overflowed.byte[2];
}

uint64_t board_time(struct board *board)
{
    (void)board;
    uint16_t ticks;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        ticks = TCNT1;
    }
    return clock_time_of(ticks);
}
