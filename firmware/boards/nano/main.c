/* The Nano and Uno port of the firmware: ATmega328P, 16 MHz. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "pins.h"
#include "board_internal.h"

#define FRAMED_BAUD 500000UL

#define FRAMES_IN_A_ROW 4 /* taken before everything else gets its turn */

struct box the_box;

/* To ground at power-up: the serial port takes bytes instead of frames. */
static bool byte_jumper_is_on(void)
{
    settings_load(0, &the_box.settings, &the_box.kept); /* box_start() begins with it anew */
    if (the_box.settings.probes != 0)
        return false; /* the pin is the probe's, which may well be low */
    for (uint8_t settled = 0; settled < 100; settled++) /* the pull-up needs some microseconds */
        if (PINB & _BV(PIN_BYTE_JUMPER))
            return false;
    return true;
}

static void everything_else(void)
{
    wdt_reset();
    uint8_t lost = uart_lost();
    if (lost > 0)
        box_lost(&the_box, lost);
    box_poll(&the_box);
    light_poll();
    probe_level_poll();
}

/* The bytes of a frame are taken as they come, one after another, and nothing else is done, so that its
 * closing zero does not have to wait. */
static void take_frame(void)
{
    uint8_t byte = 1;
    for (uint8_t count = 0; byte != 0 && count < WIRE_LONGEST && uart_take(&byte, count > 0); count++) {
        if (byte == 0)
            uart_listen();
        box_receive(&the_box, byte);
    }
    uart_listen();
}

static void take_byte(void)
{
    uint8_t byte;
    bool came = uart_take(&byte, false);
    uart_listen();
    if (came)
        box_byte(&the_box, byte);
}

static void serve(bool bytes)
{
    uint8_t in_a_row = 0;
    for (;;) {
        if (bytes)
            take_byte();
        else
            take_frame();
        if (uart_has_more() && in_a_row++ < FRAMES_IN_A_ROW && board_send_room(0) >= WIRE_LONGEST)
            continue;
        in_a_row = 0;
        do
            everything_else();
        while (board_send_room(0) < WIRE_LONGEST); /* requests wait rather than that an answer is lost */
    }
}

int main(void)
{
    PORTB |= _BV(PIN_BYTE_JUMPER); /* pulled up */
    readback_start();
    probe_level_start();
    clock_start();
    bool bytes = byte_jumper_is_on();
    if (!bytes)
        uart_start(FRAMED_BAUD);
    wdt_enable(WDTO_500MS);
    sei();
    box_start(&the_box, 0, start_cause());
    outputs_drive();
    if (bytes)
        uart_start(the_box.settings.byte_baud);
    serve(bytes);
}
