/* The Nano and Uno port of the firmware: ATmega328P, 16 MHz. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "pins.h"
#include "port.h"

#define FRAMED_BAUD 500000UL

/* A frame that is coming in is waited for, byte by byte, for at most this many bytes before the rest gets its turn. */
#define BYTES_IN_A_ROW WIRE_LONGEST

struct box the_box;

/* To ground at power-up: the serial port takes bytes instead of frames. */
static bool byte_jumper_is_on(void)
{
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
}

/* Waits until the longest answer has room, so that none is lost while requests come faster than answers can leave. */
static void wait_for_room(void)
{
    while (board_send_room(0) < WIRE_LONGEST)
        everything_else();
}

static void serve_frames(void)
{
    uint8_t in_a_row = 0;
    for (;;) {
        uint8_t byte;
        if (uart_take(&byte, in_a_row > 0)) {
            box_receive(&the_box, byte);
            if (byte != 0 && in_a_row < BYTES_IN_A_ROW) {
                in_a_row++;
                continue;
            }
            wait_for_room();
        }
        in_a_row = 0;
        everything_else();
    }
}

static void serve_bytes(void)
{
    for (;;) {
        uint8_t byte;
        if (uart_take(&byte, false))
            box_byte(&the_box, byte);
        everything_else();
    }
}

int main(void)
{
    PORTB |= _BV(PIN_BYTE_JUMPER); /* pulled up */
    readback_start();
    clock_start();
    bool bytes = byte_jumper_is_on();
    uart_start(FRAMED_BAUD);
    wdt_enable(WDTO_500MS);
    sei();
    box_start(&the_box, 0, start_cause());
    if (bytes) {
        uart_flush();
        uart_start(the_box.settings.byte_baud);
        serve_bytes();
    }
    serve_frames();
}
