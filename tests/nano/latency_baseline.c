/* The baseline: the least that a program of this chip can do with a byte. It puts its low six bits on the
 * lines, and sends it back. No frame, no check, no width, no time. */
#include <avr/io.h>

int main(void)
{
    DDRD = 0xFC;
    UCSR0A = _BV(U2X0);
    UBRR0 = 3; /* 500,000 baud */
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    for (;;) {
        while (!(UCSR0A & _BV(RXC0)))
            ;
        uint8_t byte = UDR0;
        PORTD = (uint8_t)(byte << 2);
        UDR0 = byte;
    }
}
