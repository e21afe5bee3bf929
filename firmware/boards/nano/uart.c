/* The serial port. While the main loop waits for a byte, it reads the receiver itself, which is quicker
 * than an interrupt; while it does anything else, the interrupt puts the bytes into a ring. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board_internal.h"

#define RECEIVE_SIZE 128u /* powers of two; each index counts on for ever */
#define SEND_SIZE 256u

/* Turns of the waiting loop, about ten cycles each: patience is two bytes long at the default baud rate. */
#define PATIENCE 70
#define GLANCE 2

_Static_assert(RECEIVE_SIZE > BOARD_WINDOW, "a whole window has to fit");

static volatile uint8_t received[RECEIVE_SIZE];
static volatile uint8_t received_out;
static volatile uint8_t lost; /* bytes, since they were last asked for; that is often enough for a byte */
static volatile uint8_t sending[SEND_SIZE];

/* The indices that the interrupts need most live in the chip's general-purpose I/O registers, which are
 * quicker than RAM. */
#define received_in GPIOR0 /* written by the interrupt alone */
#define sending_in GPIOR1  /* written by the main loop alone */
#define sending_out GPIOR2 /* written by the interrupt alone */

/* A framing error or an overrun means that a byte was lost or came in broken: it is counted, and what came
 * is handed on, since the CRC of the frame tells what it is worth. */
#define BROKEN (_BV(FE0) | _BV(DOR0))

static inline __attribute__((always_inline)) uint8_t receiver_byte(void)
{
    uint8_t status = UCSR0A;
    uint8_t byte = UDR0;
    if (status & BROKEN)
        lost++;
    return byte;
}

/* The two interrupts that come with every byte are in assembler, which takes two thirds of the cycles that
 * the compiler needs. This one is
 *
 *     status = UCSR0A, byte = UDR0;
 *     if (status & BROKEN)
 *         lost++;
 *     if (received_in - received_out == RECEIVE_SIZE)
 *         lost++;
 *     else
 *         received[received_in++ % RECEIVE_SIZE] = byte; */
ISR(USART_RX_vect, ISR_NAKED)
{
    __asm__ volatile(
        "push r24                  \n\t"
        "in r24, __SREG__          \n\t"
        "push r24                  \n\t"
        "push r25                  \n\t"
        "push r30                  \n\t"
        "push r31                  \n\t"
        "lds r24, %[status]        \n\t"
        "lds r25, %[data]          \n\t"
        "andi r24, %[broken]       \n\t"
        "breq 1f                   \n\t"
        "rcall 3f                  \n\t"
        "1: in r30, %[in]          \n\t"
        "lds r24, %[out]           \n\t"
        "sub r24, r30              \n\t"
        "cpi r24, %[full]          \n\t"
        "breq 2f                   \n\t"
        "mov r24, r30              \n\t"
        "inc r24                   \n\t"
        "out %[in], r24            \n\t"
        "andi r30, %[mask]         \n\t"
        "ldi r31, 0                \n\t"
        "subi r30, lo8(-(%[ring])) \n\t"
        "sbci r31, hi8(-(%[ring])) \n\t"
        "st Z, r25                 \n\t"
        "4: pop r31                \n\t"
        "pop r30                   \n\t"
        "pop r25                   \n\t"
        "pop r24                   \n\t"
        "out __SREG__, r24         \n\t"
        "pop r24                   \n\t"
        "reti                      \n\t"
        "2: rcall 3f               \n\t"
        "rjmp 4b                   \n\t"
        "3: lds r24, %[lost]       \n\t"
        "inc r24                   \n\t"
        "sts %[lost], r24          \n\t"
        "ret                       \n\t"
        :
        : [ring] "i"(received), [out] "i"(&received_out), [in] "I"(_SFR_IO_ADDR(received_in)),
          [lost] "i"(&lost), [data] "n"(_SFR_MEM_ADDR(UDR0)), [status] "n"(_SFR_MEM_ADDR(UCSR0A)),
          [broken] "n"(BROKEN), [full] "n"(256 - RECEIVE_SIZE), [mask] "n"(RECEIVE_SIZE - 1));
}

/* This one is
 *
 *     UDR0 = sending[sending_out++];
 *     if (sending_out == sending_in)
 *         switch this interrupt off
 */
ISR(USART_UDRE_vect, ISR_NAKED)
{
    __asm__ volatile("push r24               \n\t"
                     "in r24, __SREG__       \n\t"
                     "push r24               \n\t"
                     "push r30               \n\t"
                     "push r31               \n\t"
                     "in r24, %[out]         \n\t"
                     "mov r30, r24           \n\t"
                     "ldi r31, 0             \n\t"
                     "subi r30, lo8(-(%[ring])) \n\t"
                     "sbci r31, hi8(-(%[ring])) \n\t"
                     "ld r30, Z              \n\t"
                     "sts %[data], r30       \n\t"
                     "inc r24                \n\t"
                     "out %[out], r24        \n\t"
                     "in r30, %[in]          \n\t"
                     "cpse r24, r30          \n\t"
                     "rjmp 1f                \n\t"
                     "lds r24, %[control]    \n\t"
                     "andi r24, %[off]       \n\t"
                     "sts %[control], r24    \n\t"
                     "1: pop r31             \n\t"
                     "pop r30                \n\t"
                     "pop r24                \n\t"
                     "out __SREG__, r24      \n\t"
                     "pop r24                \n\t"
                     "reti                   \n\t"
                     :
                     : [ring] "i"(sending), [out] "I"(_SFR_IO_ADDR(sending_out)),
                       [in] "I"(_SFR_IO_ADDR(sending_in)), [data] "n"(_SFR_MEM_ADDR(UDR0)),
                       [control] "n"(_SFR_MEM_ADDR(UCSR0B)), [off] "n"((uint8_t)~_BV(UDRIE0)));
}

/* Lets the interrupt send what is queued; before the port is started, it stays queued. */
static inline __attribute__((always_inline)) void send_queue(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        if ((UCSR0B & _BV(TXEN0)) && sending_in != sending_out)
            UCSR0B |= _BV(UDRIE0);
    }
}

void uart_start(uint32_t baud)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = (uint16_t)((F_CPU / 8 + baud / 2) / baud - 1);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    send_queue();
}

void uart_listen(void)
{
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        UCSR0B |= _BV(RXCIE0);
    }
}

bool uart_has_more(void)
{
    return received_out != received_in;
}

bool uart_take(uint8_t *byte, bool patient)
{
    if (received_out == received_in && (UCSR0B & _BV(RXCIE0))) {
        ATOMIC_BLOCK(ATOMIC_FORCEON)
        {
            UCSR0B &= (uint8_t)~_BV(RXCIE0);
        }
    }
    if (received_out != received_in) { /* older than what is in the receiver */
        *byte = received[received_out++ % RECEIVE_SIZE];
        return true;
    }
    for (uint8_t turns = patient ? PATIENCE : GLANCE; turns > 0; turns--) {
        if (UCSR0A & _BV(RXC0)) {
            *byte = receiver_byte();
            return true;
        }
    }
    return false;
}

uint8_t uart_lost(void)
{
    if (lost == 0)
        return 0;
    uint8_t count;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        count = lost;
        lost = 0;
    }
    return count;
}

uint16_t board_send_room(struct board *board)
{
    (void)board;
    return (uint8_t)(sending_out - sending_in - 1);
}

void board_send(struct board *board, const uint8_t *bytes, uint8_t count)
{
    (void)board;
    uint8_t in = sending_in;
    do
        sending[in++] = *bytes++;
    while (--count > 0);
    sending_in = in;
    send_queue();
}
