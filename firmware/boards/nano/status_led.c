/* The status light on D13: on for about a tenth of a second at each marker, and a blip every two seconds
 * to say that the box is alive. */
#include <avr/io.h>

#include "pins.h"
#include "board_internal.h"

#define FLASH 2 /* beats of the clock */
#define BLIP 32

static uint8_t flash;
static uint8_t last_beat;

void light_flash(void)
{
    PORTB |= _BV(PIN_STATUS_LED);
    flash = FLASH;
}

void light_poll(void)
{
    uint8_t beat = clock_beat();
    if (beat == last_beat)
        return;
    last_beat = beat;
    if (flash > 0)
        flash--;
    if (flash > 0 || beat % BLIP == 0)
        PORTB |= _BV(PIN_STATUS_LED);
    else
        PORTB &= (uint8_t)~_BV(PIN_STATUS_LED);
}
