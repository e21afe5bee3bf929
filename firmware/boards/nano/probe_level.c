/* The level of a probe at A6, which is measured again and again. */
#include <avr/io.h>

#include "board_internal.h"
#include "pins.h"

void probe_level_start(void)
{
    ADMUX = _BV(REFS0) | PIN_PROBE_LEVEL; /* against the supply */
    probe_level_poll();
}

/* One measurement takes 104 us. */
void probe_level_poll(void)
{
    if (!(ADCSRA & _BV(ADSC)))
        ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
}

/* The board doesn't know what its jumpers connect: what is low may be light, sound or a button. */
void board_probe_levels(struct board *board, struct probe_levels *levels)
{
    (void)board;
    uint16_t level = (uint16_t)(ADC << 6);
    uint8_t watched = the_box.settings.probes;
    *levels = (struct probe_levels){.low = {level, 0}, .high = {level, 0}};
    bool high = probe_pin_is_high();
    if ((watched & (PROBES_TTL | PROBES_TTL_LOW)) == PROBES_TTL ? high : !high)
        levels->on = watched & (PROBES_LIGHT_EDGE | PROBES_SOUND_EDGE | PROBES_TTL);
}
