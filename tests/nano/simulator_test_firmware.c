/* Asks the simulated chip about itself, for test_simulator.py: it does one thing for each letter that comes
 * in at 500,000 baud, and marks begin and end on pin D2. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

static volatile uint8_t matches;

ISR(TIMER1_COMPA_vect)
{
    PORTD ^= _BV(2);
    matches++;
}

/* The pin goes up, and down again when the first instruction of the interrupt has run. */
ISR(INT1_vect, ISR_NAKED)
{
    __asm__ volatile("cbi %0, 2 \n\t"
                     "reti      \n\t" ::"I"(_SFR_IO_ADDR(PORTD)));
}

static void send(uint8_t byte)
{
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    UDR0 = byte;
}

static void timer(uint8_t compare_high)
{
    TCNT1 = 0;
    OCR1A = (uint16_t)(compare_high << 8 | 0xFF);
    TCCR1B = _BV(WGM12) | _BV(CS10); /* up to OCR1A, then 0 again */
    TIFR1 = _BV(OCF1A);
    TIMSK1 = _BV(OCIE1A);
    matches = 0;
    while (matches < 4)
        ;
    TIMSK1 = 0;
}

int main(void)
{
    DDRD = _BV(2) | _BV(3);
    UCSR0A = _BV(U2X0);
    UBRR0 = 3;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    send(MCUSR);
    MCUSR = 0;
    wdt_disable();
    sei();
    for (;;) {
        while (!(UCSR0A & _BV(RXC0)))
            ;
        uint8_t byte = UDR0;
        switch (byte) {
        case 'n': /* 16 instructions of one cycle between two edges two cycles long each */
            __asm__ volatile("sbi %0, 2 \n\t"
                             "nop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\t"
                             "nop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\t"
                             "cbi %0, 2 \n\t" ::"I"(_SFR_IO_ADDR(PORTD)));
            break;
        case 'i': /* an interrupt by its own output pin, D3 */
            EICRA = _BV(ISC10);
            EIMSK = _BV(INT1);
            __asm__ volatile("sbi %0, 2 \n\t"
                             "sbi %0, 3 \n\t"
                             "nop\n\tnop\n\tnop\n\tnop\n\t" ::"I"(_SFR_IO_ADDR(PORTD)));
            break;
        case 't':
            timer(0x3F);
            break;
        case 'e': /* how long a byte of EEPROM takes */
            eeprom_busy_wait();
            PORTD |= _BV(2);
            eeprom_write_byte((uint8_t *)100, 0x5A);
            eeprom_busy_wait();
            PORTD &= (uint8_t)~_BV(2);
            break;
        case 's': /* sends four bytes without a pause */
            for (uint8_t i = 0; i < 4; i++)
                send(0x55);
            break;
        case 'w': /* the watchdog bites */
            wdt_enable(WDTO_15MS);
            PORTD |= _BV(2);
            for (;;)
                ;
        default: /* a byte that waits while another is sent */
            for (uint16_t i = 0; i < 400; i++)
                __asm__ volatile("nop");
            send(byte);
            send(UDR0);
            send(UDR0);
            break;
        }
    }
}
