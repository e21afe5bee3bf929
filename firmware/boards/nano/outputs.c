/* The lines. Each later edge of a course is a compare interrupt of Timer 1 that wakes early, gets
 * everything ready, waits for the exact cycle and then writes both ports, so that no other interrupt can
 * move the edge. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "pins.h"
#include "board_internal.h"
#include "cycles_of_microseconds.h"
#include "exact_port_writes.h"
#include "markers_ahead.h"
#include "strobe.h"

/* Cycles between the compare match and the edge. They have to cover the longest time for which the
 * interrupt may be held back by another (of the serial port or the clock, up to 90 cycles; while the
 * readback is watched, its interrupt too, up to 120 more), its own entry and the work before the edge (130
 * cycles). */
#define EARLY 226
#define EARLY_WATCHING 352

/* Cycles for which a compare match counts as being now: too close to know whether its flag is set already. */
#define CLOSE 48

/* How much earlier than that the interrupt comes if the match would be that close; it then sets the alarm
 * again. */
#define EARLIER 1024

/* Microseconds before an edge in which its alarm stays as it is. */
#define NEAR_US 100

/* The course that plays. */
static const struct step *first_step;
static const struct step *end_step;
static uint32_t rounds; /* still to play, this one included; 0: for ever */
static uint8_t rest;

/* What begins at its next edge: a step, or the rest (no step). */
static const struct step *next_step;
static uint8_t next_levels;

/* Its next edge, if it has one: low 32 bits of its box time, and cycles behind that microsecond. */
static bool goes_on;
static uint32_t next_us;
static uint8_t next_phase;

/* The step that plays, if it has the strobe: where its next edge lies, its end, and what comes then. */
enum part { WHOLE, BEFORE_STROBE, STROBE };
static uint8_t part;
static uint32_t step_ends_us;
static uint8_t levels_behind;

/* The edge that the alarm is set for: that one, or the first of a marker ahead. */
static uint8_t armed;        /* its place; 0: the course's own edge */
static uint8_t armed_levels;
static uint16_t due;   /* Timer 1's count then */
static uint16_t early = EARLY;
static __uint24 laps;  /* compare matches that come before the one for this edge: one every 65,536 cycles */

uint8_t board_outputs(struct board *board)
{
    (void)board;
    return (uint8_t)((PORTD & PIN_OUT_D_MASK) >> PIN_OUT_D_SHIFT | (PORTB & PIN_OUT_B_MASK)
                                                                       << PIN_OUT_B_SHIFT);
}

/* Sets the alarm for the end of a step that began when Timer 1 counted `edge`, a few hundred cycles ago at
 * most: no other interrupt may come between. */
ALWAYS_INLINE void set_alarm(uint16_t edge, uint32_t us)
{
    uint16_t length = in_cycles((uint16_t)us);
    __uint24 matches = sixteenth((__uint24)(us >> 8));
    uint16_t before = early;
    uint16_t next = edge + length;
    due = next;
    uint16_t now = TCNT1;
    if (matches == 0 && (uint16_t)(next - now) < before + 2 * CLOSE) {
        /* a short step: there is no time to wake as early as that, nor would it help */
        OCR1A = now + CLOSE;
        TIFR1 = _BV(OCF1A);
        laps = 0;
        return;
    }
    if ((uint16_t)(next - before - now + CLOSE) < 2 * CLOSE)
        before += EARLIER;
    OCR1A = next - before;
    TIFR1 = _BV(OCF1A); /* less than CLOSE cycles after `now`, so that no match can get lost in between */
    if (length < (uint16_t)(before + now - edge)) /* this lap's match has been already */
        matches--;
    laps = matches;
}

/* What comes behind the step that has just begun. */
static __attribute__((noinline)) void look_ahead(void)
{
    const struct step *step = next_step + 1;
    if (step == end_step) {
        step = first_step;
        if (rounds != 0 && --rounds == 0)
            step = 0;
    }
    next_step = step;
    next_levels = step != 0 ? step->levels : rest;
}

/* The levels that a step begins with. */
ALWAYS_INLINE uint8_t begin_with(uint8_t levels)
{
    return strobe_off(&the_box.settings, levels);
}

/* A step with these levels begins. If it has the strobe, the strobe's edge comes next. */
ALWAYS_INLINE void split(uint8_t levels)
{
    next_levels = begin_with(next_levels);
    if (begin_with(levels) == levels)
        return;
    part = BEFORE_STROBE;
    levels_behind = next_levels;
    next_levels = levels;
}

/* That step has begun at `now_us`. */
ALWAYS_INLINE void time_strobe(uint32_t now_us)
{
    if (part != BEFORE_STROBE)
        return;
    step_ends_us = next_us;
    next_us = now_us + the_box.settings.strobe_lead_us;
}

/* Both, in the interrupt. */
static __attribute__((noinline)) void split_at(uint8_t levels, uint32_t now_us)
{
    split(levels);
    time_strobe(now_us);
}

/* An edge within a step is on the lines. */
static __attribute__((noinline)) void next_part(void)
{
    if (part == BEFORE_STROBE) {
        part = STROBE;
        next_us = step_ends_us - the_box.settings.strobe_hold_us;
        next_levels = begin_with(next_levels);
    } else {
        part = WHOLE;
        next_us = step_ends_us;
        next_levels = levels_behind;
    }
}

/* Sets the alarm for what comes next, seen from a moment a few hundred cycles ago at most, which is
 * `now_us` in box time. That is 50 us away at least. Interrupts are off. */
static __attribute__((noinline)) void set_next(uint32_t now_us)
{
    uint8_t first = the_box.ahead.first;
    uint8_t phase = next_phase;
    armed = 0;
    TIMSK1 = _BV(TOIE1);
    if (first == 0 && !goes_on)
        return;
    uint32_t left = next_us - now_us;
    if (first != 0) {
        const struct due *ahead =
            first == PLACE_OF_START ? &the_box.ahead.start.due : &the_box.sequence.places[first - 1].due;
        uint32_t until = ahead->at_us - now_us;
        if (!goes_on || until <= left) {
            left = until;
            phase = 0;
            armed = first;
            armed_levels = begin_with(ahead->step.levels);
        }
    }
    set_alarm(in_cycles((uint16_t)now_us) | phase, left);
    TIMSK1 = _BV(TOIE1) | _BV(OCIE1A);
}

/* Makes the course the one that plays. Its times are set behind its first edge. */
static __attribute__((noinline)) void take(const struct course *course)
{
    const struct step *step = course->steps;
    first_step = step;
    next_step = step;
    end_step = step + course->count;
    rounds = course->repeats;
    rest = course->rest;
    look_ahead();
}

/* What is ahead, and the alarm was set for, is on the lines: a marker, or the first step of a sequence.
 * Returns the box time of its edge. */
static __attribute__((noinline)) uint32_t begin_armed(void)
{
    const struct due *ahead = box_due(&the_box);
    uint32_t now_us = ahead->at_us;
    goes_on = ahead->step.us > 0;
    next_us = now_us + ahead->step.us;
    next_phase = 0;
    next_step = 0;
    next_levels = ahead->rest;
    part = WHOLE;
    const struct course *course = box_due_course(&the_box);
    if (course != 0)
        take(course);
    if (goes_on && the_box.settings.strobe != 0)
        split_at(ahead->step.levels, now_us);
    box_begun(&the_box);
    return now_us;
}

/* The course's own edge is on the lines. Returns its box time. */
ALWAYS_INLINE uint32_t go_on(void)
{
    uint32_t now_us = next_us;
    if (part != WHOLE) {
        next_part();
        return now_us;
    }
    goes_on = next_step != 0;
    if (goes_on) {
        uint8_t levels = next_step->levels;
        next_us += next_step->us;
        look_ahead();
        if (the_box.settings.strobe != 0)
            split_at(levels, now_us);
    }
    return now_us;
}

ISR(TIMER1_COMPA_vect)
{
    if (laps > 0) {
        laps--;
        return;
    }
    uint16_t edge = due;
    if ((int16_t)(edge - TCNT1) > EARLY_WATCHING) {
        OCR1A = edge - early;
        return;
    }
    if (armed != 0 && armed != the_box.ahead.first) {
        /* taken back just now, and board_arm() comes next; a course whose edge is near can't wait for it */
        armed = 0;
        if (!goes_on || next_us - clock_us_of(TCNT1) > NEAR_US) {
            TIMSK1 = _BV(TOIE1);
            return;
        }
        edge = (uint16_t)next_us << 4 | next_phase;
    }
    uint8_t levels = armed != 0 ? armed_levels : next_levels;
    write_ports_at(edge, port_d(levels), port_b(levels));
    readback_note(edge);
    set_next(armed != 0 ? begin_armed() : go_on());
}

void outputs_drive(void)
{
    DDRD |= PIN_OUT_D_MASK;
    DDRB |= PIN_OUT_B_MASK;
}

void outputs_wake_earlier(bool watching)
{
    early = watching ? EARLY_WATCHING : EARLY; /* read with interrupts off, and written for later alarms */
}

/* The same with a strobe, and before its first edge: behind it there would be no time. Returns the levels of
 * that edge. */
static __attribute__((noinline)) uint8_t take_strobed(const struct course *course)
{
    uint8_t levels = course->rest;
    part = WHOLE;
    if (course->count > 0) {
        take(course);
        levels = course->steps->levels;
        split(levels);
    }
    return begin_with(levels);
}

/* What has to be done behind the first edge of a course. Interrupts are off and come on again. */
static __attribute__((noinline)) uint64_t play_on(const struct course *course, uint16_t edge)
{
    const struct step *step = course->steps;
    uint16_t count = course->count;
    uint64_t time = clock_time_of(edge);
    goes_on = count > 0;
    if (goes_on) {
        next_us = (uint32_t)time + step->us;
        next_phase = edge & (CYCLES_PER_US - 1);
        if (the_box.settings.strobe != 0) {
            time_strobe((uint32_t)time);
        } else if (count == 1 && course->repeats == 1) { /* a pulse has nothing to look ahead for */
            next_step = 0;
            next_levels = course->rest;
        } else {
            take(course);
        }
    }
    set_next((uint32_t)time);
    sei();
    light_flash();
    return time;
}

void board_prepare(struct board *board, const struct course *course)
{
    (void)board;
    (void)course;
}

/* An edge that is near comes first: its alarm can't be set anew. */
void board_arm(struct board *board)
{
    (void)board;
    for (;;) {
        cli();
        if (!(TIMSK1 & _BV(OCIE1A)) || laps > 0 || (uint16_t)(due - TCNT1) > NEAR_US * CYCLES_PER_US)
            break;
        sei();
    }
    set_next(clock_us_of(TCNT1));
    sei();
}

uint64_t board_play(struct board *board, const struct course *course)
{
    (void)board;
    uint8_t levels = course->count > 0 ? course->steps->levels : course->rest;
    cli(); /* until set_next() has put this course's alarm in place of the one before */
    if (the_box.settings.strobe != 0)
        levels = take_strobed(course);
    uint8_t d = port_d(levels);
    uint16_t edge = write_ports(d, port_b(levels));
    readback_note(edge);
    return play_on(course, edge);
}
