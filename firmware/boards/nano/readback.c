/* The readback inputs: a pin change interrupt notes level and time at once, and then lets the lines and
 * the serial port interrupt it while it files them. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "pins.h"
#include "board_internal.h"

/* Cycles from a change at a pin to the count that the interrupt reads. */
#define COUNT_AFTER_CHANGE 56

static uint8_t seen;
static volatile bool noted; /* the change that comes next was caused by an edge of our own ... */
static uint16_t noted_at;   /* ... at this count of Timer 1 */

static inline uint8_t levels(void)
{
    return (uint8_t)((PINC & PIN_BACK_C_MASK) | (uint8_t)((PINB & PIN_BACK_B_MASK) << PIN_BACK_B_SHIFT));
}

uint8_t board_readback(struct board *board)
{
    (void)board;
    return levels();
}

void readback_start(void)
{
    DDRC &= (uint8_t)~PIN_BACK_C_MASK;
    DDRB &= (uint8_t)~PIN_BACK_B_MASK;
    PORTC |= PIN_BACK_C_MASK; /* pulled up: an input that nothing drives has a level all the same */
    PORTB |= PIN_BACK_B_MASK;
    PCICR = _BV(PCIE0) | _BV(PCIE1);
}

/* Which pins call the interrupt: all or none. */
static inline void watch_pins(bool on)
{
    PCMSK1 = on ? PIN_BACK_C_MASK : 0;
    PCMSK0 = on ? PIN_BACK_B_MASK : 0;
}

void readback_note(uint16_t edge)
{
    if (PCMSK1 != 0 && levels() != seen) {
        noted = true;
        noted_at = edge;
    }
}

ISR(PCINT1_vect)
{
    for (;;) {
        PCIFR = _BV(PCIF0) | _BV(PCIF1); /* both ports are looked at now */
        uint16_t ticks = TCNT1 - COUNT_AFTER_CHANGE;
        if (noted)
            ticks = noted_at;
        noted = false;
        uint8_t now = levels();
        if (now == seen)
            return;
        seen = now;
        watch_pins(false); /* any other interrupt may come now, but not this one */
        sei();
        box_captured(&the_box, clock_time_of(ticks), now);
        cli();
        watch_pins(true); /* and look again, for what changed meanwhile */
    }
}

ISR(PCINT0_vect, ISR_ALIASOF(PCINT1_vect));

void board_watch(struct board *board, bool on)
{
    (void)board;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        outputs_wake_earlier(on);
        seen = levels();
        watch_pins(on);
        PCIFR = _BV(PCIF0) | _BV(PCIF1);
    }
}
