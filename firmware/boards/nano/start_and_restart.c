/* What happens before main(), where the chip says why it started; and the restart. The lines stay inputs
 * until main() has read the settings: the board's resistors hold them at the idle level meanwhile. */
#include <avr/io.h>
#include <avr/wdt.h>

#include "pins.h"
#include "board_internal.h"

/* Left in RAM, which keeps its content over a reset but not without power. By power-up, none of them is
 * there. */
#define RUNNING 0x5A3CC35AUL /* the firmware has run since the power came */
#define ASKED 0xA51C3EE7UL   /* the same, and a restart was asked for */
#define RAM_END (RAMEND - 64) /* the stack of these functions is above */

static uint32_t note __attribute__((section(".noinit")));
static enum box_cause cause __attribute__((section(".noinit")));
static uint8_t found[8] __attribute__((section(".noinit")));

/* RAM comes up with a pattern that differs from chip to chip and from time to time. It is the only thing
 * by which two chips can be told apart, so eight bytes are made of it before the program overwrites it. */
static void look_at_ram(void)
{
    for (const uint8_t *at = (const uint8_t *)RAMSTART; at < (const uint8_t *)RAM_END; at++) {
        uint8_t *place = &found[(uint8_t)(uintptr_t)at % sizeof found];
        *place = (uint8_t)(*place * 167 + *at);
    }
}

/* A boot loader ends its wait by the watchdog, behind the reset pin, so that the pin comes first; and behind
 * a power-up, whose flag it may have cleared: then this program has not run before. That RAM was lost is no
 * proof of a power-up: other firmware may have used it. */
static enum box_cause cause_of(uint8_t flag, bool was_asked, bool ram_was_kept)
{
    if (flag & _BV(PORF))
        return BOX_POWER;
    if (was_asked && (flag & (_BV(EXTRF) | _BV(BORF))) == 0)
        return BOX_ASKED;
    if (flag & _BV(EXTRF))
        return BOX_RESET_PIN;
    if ((flag & _BV(WDRF)) && ram_was_kept)
        return BOX_WATCHDOG;
    if (flag & _BV(BORF))
        return BOX_BROWN_OUT;
    return BOX_UNKNOWN;
}

/* Some boot loaders that clear the reset flags hand them on in r2; others leave there what it held before.
 * So r2 is believed only where it fits what RAM says of the power, and where nothing but the flag's own
 * cause can have set it: WDRF comes from the boot loader's own time-out too. */
static uint8_t believed(uint8_t handed_on, bool ram_was_kept)
{
    bool lost_power = handed_on & _BV(PORF);
    if (handed_on > 0x0F || lost_power == ram_was_kept)
        return 0;
    return handed_on & (uint8_t)~_BV(WDRF);
}

static void __attribute__((used, noinline)) early(uint8_t handed_on)
{
    DDRB = _BV(PIN_STATUS_LED);
    bool ram_was_kept = note == RUNNING || note == ASKED;
    uint8_t flags = MCUSR;
    if (flags == 0)
        flags = believed(handed_on, ram_was_kept);
    MCUSR = 0;
    wdt_disable(); /* it may still run, with a short period, from the restart */
    cause = cause_of(flags, note == ASKED, ram_was_kept);
    note = RUNNING;
    if (!ram_was_kept)
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
    return cause;
}

/* The moment at which a host first asks differs too, to the cycle. */
void start_serial_seed(uint8_t seed[8])
{
    uint16_t ticks = TCNT1;
    for (uint8_t i = 0; i < sizeof found; i++) {
        seed[i] = found[i] ^ (uint8_t)ticks;
        ticks = (uint16_t)(ticks << 8 | ticks >> 8);
    }
}

void board_restart(struct board *board, bool into_boot_loader)
{
    (void)board;
    (void)into_boot_loader; /* not in BOARD_CAPABILITIES */
    note = ASKED;
    wdt_enable(WDTO_30MS); /* meanwhile the port's interrupt sends all that is queued, in 5 ms at most */
    for (;;)
        ;
}
