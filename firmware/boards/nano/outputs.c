/* The lines. Each later edge of a course is a compare interrupt of Timer 1 that wakes early, gets everything ready, waits for
 * the exact cycle and then writes both ports, so that no other interrupt can move the edge. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "pins.h"
#include "port.h"

/* Cycles between the compare match and the edge. They have to cover the longest time for which the interrupt may be held
 * back by others (the two of the readback and one of the serial port, about 200 cycles) and the work before the edge. */
#define EARLY 352

/* Cycles for which a compare match counts as being now: too close to know whether its flag is set already. */
#define CLOSE 32

/* How much earlier than EARLY the interrupt comes if the match would be that close; it then sets the alarm again. */
#define EARLIER 1024

/* From the edge to the count that is read behind it, and from the count read before an edge to the edge, in cycles. */
#define COUNT_AFTER_EDGE 3
#define COUNT_BEFORE_EDGE 14

static const struct step *next_step; /* of the course that plays */
static const struct step *first_step;
static const struct step *end_step;
static uint32_t rounds; /* still to play, this one included; 0: for ever */
static uint8_t rest;
static uint16_t due;  /* Timer 1 count of the next edge */
static uint32_t laps; /* compare matches that come before the one for this edge: one every 65,536 cycles */

uint8_t board_outputs(struct board *board)
{
    (void)board;
    return (uint8_t)((PORTD & PIN_OUT_D_MASK) >> PIN_OUT_D_SHIFT | (PORTB & PIN_OUT_B_MASK) << PIN_OUT_B_SHIFT);
}

static inline uint8_t port_d(uint8_t levels)
{
    return (uint8_t)(levels << PIN_OUT_D_SHIFT); /* D0 and D1 belong to the serial port, whatever is written there */
}

static inline uint8_t port_b(uint8_t levels)
{
    return (uint8_t)((PORTB & (uint8_t)~PIN_OUT_B_MASK) | levels >> PIN_OUT_B_SHIFT);
}

/* Sets the alarm for the end of a step that begins when Timer 1 counts `edge`, which is at most EARLY cycles ahead and a few
 * hundred behind. */
static inline void set_alarm(uint16_t edge, uint32_t us)
{
    uint16_t low = (uint16_t)us << 4;
    uint16_t now = TCNT1;
    uint16_t early = EARLY;
    due = edge + low;
    if ((uint16_t)(due - EARLY - now + CLOSE) < 2 * CLOSE)
        early += EARLIER;
    OCR1A = due - early;
    laps = us >> 12;
    if (low < (uint16_t)(early + now - edge)) /* the match of this lap has been already */
        laps--;
}

/* Writes both ports when Timer 1 counts `at`, to the cycle. */
static inline void write_at(uint16_t at, uint8_t d, uint8_t b)
{
    int16_t left = (int16_t)(at - COUNT_BEFORE_EDGE - TCNT1);
    if (left < 0)
        left = 0; /* too late: at once */
    __asm__ volatile("1: sbiw %[left], 4 \n\t" /* four cycles a turn */
                     "brcc 1b            \n\t"
                     "sbrc %A[left], 0   \n\t" /* and what is left of four: one cycle ... */
                     "rjmp 2f            \n\t"
                     "2: sbrc %A[left], 1 \n\t"
                     "rjmp 3f            \n\t"
                     "3: sbrc %A[left], 1 \n\t" /* ... and two */
                     "rjmp 4f            \n\t"
                     "4: out %[portd], %[d] \n\t"
                     "out %[portb], %[b] \n\t"
                     : [left] "+w"(left)
                     : [portd] "I"(_SFR_IO_ADDR(PORTD)), [portb] "I"(_SFR_IO_ADDR(PORTB)), [d] "r"(d), [b] "r"(b));
}

ISR(TIMER1_COMPA_vect)
{
    if (laps > 0) {
        laps--;
        return;
    }
    uint16_t edge = due;
    if ((uint16_t)(edge - TCNT1) > EARLY) {
        OCR1A = edge - EARLY;
        return;
    }
    const struct step *step = next_step;
    if (step == end_step) {
        step = first_step;
        if (rounds != 0 && --rounds == 0)
            step = 0;
    }
    uint8_t levels = rest;
    if (step) {
        levels = step->levels;
        set_alarm(edge, step->us);
        next_step = step + 1;
    } else {
        TIMSK1 = _BV(TOIE1);
    }
    write_at(edge, port_d(levels), port_b(levels));
}

uint64_t board_play(struct board *board, const struct course *course)
{
    (void)board;
    const struct step *step = course->count > 0 ? course->steps : 0;
    uint8_t levels = step ? step->levels : course->rest;
    uint8_t d = port_d(levels);

    cli();
    TIMSK1 = _BV(TOIE1);
    uint8_t b = port_b(levels);
    __asm__ volatile("out %[portd], %[d] \n\t"
                     "out %[portb], %[b] \n\t"
                     :
                     : [portd] "I"(_SFR_IO_ADDR(PORTD)), [portb] "I"(_SFR_IO_ADDR(PORTB)), [d] "r"(d), [b] "r"(b));
    uint16_t edge = TCNT1 - COUNT_AFTER_EDGE;
    uint64_t time = clock_time_of(edge);
    if (step) {
        first_step = step;
        next_step = step + 1;
        end_step = step + course->count;
        rounds = course->repeats;
        rest = course->rest;
        set_alarm(edge, step->us);
        TIFR1 = _BV(OCF1A);
        TIMSK1 = _BV(TOIE1) | _BV(OCIE1A);
    }
    sei();
    light_flash();
    return time;
}
