/* The readback inputs: a pin change interrupt notes level and time at once, and then lets the lines and the serial port
 * interrupt it while it files them. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "pins.h"
#include "port.h"

/* Cycles from a change at a pin to the count that the interrupt reads. */
#define COUNT_AFTER_CHANGE 24

static uint8_t seen;

static inline uint8_t levels(void)
{
    return (uint8_t)((PINC & PIN_BACK_C_MASK) | (PINB & PIN_BACK_B_MASK) << PIN_BACK_B_SHIFT);
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
    PCMSK1 = PIN_BACK_C_MASK;
    PCMSK0 = PIN_BACK_B_MASK;
}

static inline void changed(void)
{
    uint16_t ticks = TCNT1;
    uint8_t now = levels();
    if (now == seen)
        return;
    seen = now;
    PCICR = 0; /* not this interrupt again, but any other */
    uint64_t time = clock_time_of(ticks - COUNT_AFTER_CHANGE);
    sei();
    box_captured(&the_box, time, now);
    cli();
    PCICR = _BV(PCIE0) | _BV(PCIE1);
}

ISR(PCINT0_vect)
{
    changed();
}

ISR(PCINT1_vect, ISR_ALIASOF(PCINT0_vect));

void board_watch(struct board *board, bool on)
{
    (void)board;
    PCICR = 0;
    if (on) {
        PCIFR = _BV(PCIF0) | _BV(PCIF1);
        seen = levels();
        PCICR = _BV(PCIE0) | _BV(PCIE1);
    }
}
