/* The readback inputs and that of the probe: a pin change interrupt notes level and time at once, and then
 * lets the lines and the serial port interrupt it while it files them. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "pins.h"
#include "board_internal.h"

/* Cycles from a change at a pin to the count that the interrupt reads. */
#define COUNT_AFTER_CHANGE 48

static uint8_t seen;       /* levels of the readback as the interrupt saw them last, ... */
static uint8_t filed;      /* ... and as they were filed last */
static uint8_t probe_pin;  /* bit of the pin, while the probe is watched */
static uint8_t probe_seen; /* that bit as it was last, ... */
static uint8_t probe_on;   /* ... and as it is while the probe is on */
static uint8_t probe_source;
static uint8_t pins_b, pins_c; /* those that call the interrupt; of C all or none, with the readback */
static volatile bool noted; /* the change that comes next was caused by an edge of our own ... */
static uint16_t noted_at;   /* ... at this count of Timer 1 */

static inline uint8_t levels_with(uint8_t port_b)
{
    return (uint8_t)((PINC & PIN_BACK_C_MASK) | (uint8_t)((port_b & PIN_BACK_B_MASK) << PIN_BACK_B_SHIFT));
}

static inline uint8_t levels(void)
{
    return levels_with(PINB);
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

bool probe_pin_is_high(void)
{
    return PINB & _BV(PIN_PROBE);
}

/* Which pins call the interrupt: all that are watched, or none. */
static inline void watch_pins(bool on)
{
    PCMSK1 = on ? pins_c : 0;
    PCMSK0 = on ? pins_b : 0;
}

/* What is watched has changed, with interrupts off. */
static void look_anew(void)
{
    pins_b = (pins_c ? PIN_BACK_B_MASK : 0) | probe_pin;
    seen = levels();
    filed = seen;
    probe_seen = PINB & probe_pin;
    outputs_wake_earlier(pins_b != 0);
    watch_pins(true);
    PCIFR = _BV(PCIF0) | _BV(PCIF1);
}

/* Also while the change before is filed, which may last longer than the shortest pulse that is watched. With
 * a strobe the edge's interrupt has no time for that: such an edge is stamped when the filing is over. */
void readback_note(uint16_t edge)
{
    if (pins_c == 0 || (PCMSK1 == 0 && the_box.settings.strobe != 0))
        return;
    if (levels() != seen) {
        noted = true;
        noted_at = edge;
    }
}

/* Files what changed. `edge`: Timer 1 at a change of the readback, `count`: at one of the probe. Out of
 * line, so that the interrupt saves no more registers before it lets others in. Interrupts are on, and
 * off at the end. */
static __attribute__((noinline)) void note_changes(uint8_t now, uint8_t port_b, uint16_t edge, uint16_t count)
{
    if (now != filed) {
        filed = now;
        if (pins_c != 0)
            box_captured(&the_box, clock_time_of(edge), now);
    }
    port_b &= probe_pin;
    if (port_b != probe_seen) {
        probe_seen = port_b;
        box_probe(&the_box, clock_time_of(count), probe_source, port_b == probe_on);
    }
    cli();
    watch_pins(true); /* and the interrupt looks again, for what changed meanwhile */
}

ISR(PCINT1_vect)
{
    for (;;) {
        PCIFR = _BV(PCIF0) | _BV(PCIF1); /* both ports are looked at now */
        uint16_t count = TCNT1 - COUNT_AFTER_CHANGE;
        uint16_t edge = count;
        if (noted)
            edge = noted_at;
        noted = false;
        uint8_t port_b = PINB;
        uint8_t now = levels_with(port_b);
        if (now == seen && (port_b & probe_pin) == probe_seen)
            return;
        seen = now; /* before an edge of our own can come, which compares with it */
        watch_pins(false); /* any other interrupt may come now, but not this one */
        sei();
        note_changes(now, port_b, edge, count);
    }
}

ISR(PCINT0_vect, ISR_ALIASOF(PCINT1_vect));

void board_watch(struct board *board, bool on)
{
    (void)board;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        pins_c = on ? PIN_BACK_C_MASK : 0;
        look_anew();
    }
}

/* The core sees to it that one of the three at most is watched. A comparator is low while it is light or
 * loud. */
void board_probes(struct board *board, uint8_t probes)
{
    (void)board;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        probe_pin = probes & (PROBES_LIGHT_EDGE | PROBES_SOUND_EDGE | PROBES_TTL) ? _BV(PIN_PROBE) : 0;
        probe_on = (probes & (PROBES_TTL | PROBES_TTL_LOW)) == PROBES_TTL ? _BV(PIN_PROBE) : 0;
        if (probes & PROBES_LIGHT_EDGE)
            probe_source = SOURCE_LIGHT_EDGE;
        else
            probe_source = probes & PROBES_SOUND_EDGE ? SOURCE_SOUND_EDGE : SOURCE_TTL;
        look_anew();
    }
}
