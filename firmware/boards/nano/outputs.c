/* The lines. Each later edge of a course is a compare interrupt of Timer 1 that wakes early, gets everything ready, waits for
 * the exact cycle and then writes both ports, so that no other interrupt can move the edge. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "pins.h"
#include "port.h"

/* Cycles between the compare match and the edge. They have to cover the longest time for which the interrupt may be held
 * back by others (the two of the readback and one of the serial port, about 200 cycles) and the work before the edge. */
#define EARLY 400

/* Cycles for which a compare match counts as being now: too close to know whether its flag is set already. */
#define CLOSE 32

/* How much earlier than EARLY the interrupt comes if the match would be that close; it then sets the alarm again. */
#define EARLIER 1024

/* From the edge to the count that is read behind it, and from the count read before an edge to the edge, in cycles. */
#define COUNT_AFTER_EDGE 3
#define COUNT_BEFORE_EDGE 14

#define ALWAYS_INLINE static inline __attribute__((always_inline))

/* The course that plays. */
static const struct step *next_step;
static const struct step *first_step;
static const struct step *end_step;
static uint32_t rounds; /* still to play, this one included; 0: for ever */
static uint8_t rest;

/* Its next edge. */
static uint16_t due;   /* Timer 1's count then */
static __uint24 laps;  /* compare matches that come before the one for this edge: one every 65,536 cycles */

uint8_t board_outputs(struct board *board)
{
    (void)board;
    return (uint8_t)((PORTD & PIN_OUT_D_MASK) >> PIN_OUT_D_SHIFT | (PORTB & PIN_OUT_B_MASK) << PIN_OUT_B_SHIFT);
}

/* What the ports have to hold for the levels. D0 and D1 belong to the serial port, whatever is written there. */
ALWAYS_INLINE uint8_t port_d(uint8_t levels)
{
    return (uint8_t)(levels << PIN_OUT_D_SHIFT);
}

ALWAYS_INLINE uint8_t port_b(uint8_t levels)
{
    return (uint8_t)((PORTB & (uint8_t)~PIN_OUT_B_MASK) | levels >> PIN_OUT_B_SHIFT);
}

/* Sets the alarm for the end of a step that begins when Timer 1 counts `edge`, which is at most EARLY cycles ahead or a few
 * hundred behind. Interrupts are off. */
static __attribute__((noinline)) void set_alarm(uint16_t edge, uint32_t us)
{
    uint16_t length = (uint16_t)((uint8_t)(us >> 8) << 12) | (uint16_t)us << 4; /* in cycles, its low 16 bits */
    uint16_t now = TCNT1;
    uint16_t early = EARLY;
    due = edge + length;
    if ((uint16_t)(due - EARLY - now + CLOSE) < 2 * CLOSE)
        early += EARLIER;
    OCR1A = due - early;
    laps = (__uint24)(us >> 8) >> 4;
    if (length < (uint16_t)(early + now - edge)) /* this lap's match has been already */
        laps--;
}

ALWAYS_INLINE void write_ports(uint8_t d, uint8_t b)
{
    __asm__ volatile("out %[portd], %[d] \n\t"
                     "out %[portb], %[b] \n\t"
                     :
                     : [portd] "I"(_SFR_IO_ADDR(PORTD)), [portb] "I"(_SFR_IO_ADDR(PORTB)), [d] "r"(d), [b] "r"(b));
}

/* Writes both ports when Timer 1 counts `at`, to the cycle; at once if that has been. */
ALWAYS_INLINE void write_ports_at(uint16_t at, uint8_t d, uint8_t b)
{
    int16_t left = (int16_t)(at - COUNT_BEFORE_EDGE - TCNT1);
    if (left < 0)
        left = 0;
    __asm__ volatile("1: sbiw %[left], 4  \n\t" /* four cycles a turn ... */
                     "brcc 1b             \n\t"
                     "sbrc %A[left], 0    \n\t" /* ... one more if the rest is odd ... */
                     "rjmp 2f             \n\t"
                     "2: sbrc %A[left], 1 \n\t" /* ... and two more if it is 2 or 3 */
                     "rjmp 3f             \n\t"
                     "3: sbrc %A[left], 1 \n\t"
                     "rjmp 4f             \n\t"
                     "4:                  \n\t"
                     : [left] "+w"(left));
    write_ports(d, b);
}

ISR(TIMER1_COMPA_vect)
{
    if (laps > 0) {
        laps--;
        return;
    }
    uint16_t edge = due;
    if ((int16_t)(edge - TCNT1) > EARLY) {
        OCR1A = edge - EARLY;
        return;
    }
    const struct step *step = next_step;
    uint8_t levels = rest;
    if (step == end_step) {
        step = first_step;
        if (rounds != 0 && --rounds == 0)
            step = 0;
    }
    if (step != 0) {
        levels = step->levels;
        set_alarm(edge, step->us);
        next_step = step + 1;
    } else {
        TIMSK1 = _BV(TOIE1);
    }
    write_ports_at(edge, port_d(levels), port_b(levels));
}

/* What has to be done behind the first edge of a course. Interrupts are off and come on again. */
static __attribute__((noinline)) uint64_t play_on(const struct course *course, uint16_t edge)
{
    const struct step *step = course->steps;
    uint16_t count = course->count;
    if (count > 0) {
        set_alarm(edge, step->us);
        first_step = step;
        next_step = step + 1;
        end_step = step + count;
        rounds = course->repeats;
        rest = course->rest;
        TIFR1 = _BV(OCF1A);
        TIMSK1 = _BV(TOIE1) | _BV(OCIE1A);
    }
    sei();
    light_flash();
    return clock_time_of(edge);
}

uint64_t board_play(struct board *board, const struct course *course)
{
    (void)board;
    uint8_t levels = course->count > 0 ? course->steps->levels : course->rest;
    uint8_t d = port_d(levels);
    cli();
    TIMSK1 = _BV(TOIE1);
    write_ports(d, port_b(levels));
    return play_on(course, TCNT1 - COUNT_AFTER_EDGE);
}
