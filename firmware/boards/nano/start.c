/* What happens before main(): the lines are driven first of all, then the chip says why it started. */
#include <avr/io.h>
#include <avr/wdt.h>

#include "pins.h"
#include "board_internal.h"

#define ASKED 0xA51C /* left in RAM by a restart that was asked for */
#define RAM_END (RAMEND - 64) /* the stack of these functions is above */

static uint16_t asked __attribute__((section(".noinit")));
static uint8_t flags __attribute__((section(".noinit")));
static uint8_t found[8] __attribute__((section(".noinit")));

/* RAM comes up with a pattern that differs from chip to chip and from time to time. It is the only thing by which two chips
 * can be told apart, so eight bytes are made of it before the program overwrites it. */
static void look_at_ram(void)
{
    for (const uint8_t *at = (const uint8_t *)RAMSTART; at < (const uint8_t *)RAM_END; at++) {
        uint8_t *place = &found[(uint8_t)(uintptr_t)at % sizeof found];
        *place = (uint8_t)(*place * 167 + *at);
    }
}

/* Boot loaders that clear the reset flags hand them on in r2. */
static void __attribute__((used, noinline)) early(uint8_t handed_on)
{
    DDRD = PIN_OUT_D_MASK;
    DDRB = PIN_OUT_B_MASK | _BV(PIN_STATUS_LED);
    flags = MCUSR;
    if (flags == 0)
        flags = handed_on;
    MCUSR = 0;
    wdt_disable(); /* it may still run, with a short period, from the restart */
    if (flags & _BV(PORF))
        look_at_ram();
}

/* Runs when the stack pointer is set up and before RAM is. */
void __attribute__((naked, used, section(".init3"))) before_ram_is_set_up(void);
void before_ram_is_set_up(void)
{
    __asm__ volatile("mov r24, r2 \n\t"
                     "call %x0    \n\t"
                     :
                     : "i"(early));
}

enum box_cause start_cause(void)
{
    bool was_asked = asked == ASKED;
    asked = 0;
    if (flags & _BV(PORF))
        return BOX_POWER;
    if (flags & _BV(WDRF))
        return was_asked ? BOX_ASKED : BOX_WATCHDOG;
    if (flags & _BV(EXTRF))
        return BOX_RESET_PIN;
    if (flags & _BV(BORF))
        return BOX_BROWN_OUT;
    return BOX_UNKNOWN;
}

/* The moment at which a host first asks differs too, to the cycle. */
void start_serial_seed(uint8_t seed[8])
{
    uint8_t ticks = TCNT1L;
    for (uint8_t i = 0; i < sizeof found; i++)
        seed[i] = found[i] ^ ticks;
}

void board_restart(struct board *board, bool into_boot_loader)
{
    (void)board;
    (void)into_boot_loader; /* BOARD_BOOT_LOADER is 0 */
    uart_flush();
    asked = ASKED;
    wdt_enable(WDTO_30MS); /* time for the last two bytes to leave */
    for (;;)
        ;
}
