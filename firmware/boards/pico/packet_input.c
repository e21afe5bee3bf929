/* What comes in, on its way to the core.
 *
 * The loop passes it on. While the loop works for the probes, USB's interrupt does, so that no marker waits
 * for that: what the interrupt finds is a marker, which is put out and answered, or is left to the loop.
 * Nothing that a marker changes in the core is in use then, and the place of a probe's message among all that
 * is sent was taken before. */
#include "board_internal.h"
#include "box_state.h"
#include "bytes_and_counters.h"
#include "usb.h"

#define BYTES_AT_ONCE 16 /* about two markers; then USB gets its turn */

static volatile bool letting_in, came;
static bool ended; /* the box restarts */
volatile bool input_left;

void input_start(void)
{
    /* alarm 1 goes on interrupting all of this */
    NVIC_PRIORITY(IRQ_USB) = NVIC_LOWER(IRQ_USB);
    NVIC_PRIORITY(IRQ_TIMER0) = NVIC_LOWER(IRQ_TIMER0);
}

/* Packets to the core: up to the end of a request that is no marker, if `markers` alone are wanted. One
 * function for both, as only one gets all of its way in line. */
static OUT_OF_LINE void take(bool markers)
{
    uint8_t count;

    if (!usb_serve_ports()) {
        if (markers) {
            NVIC_DISABLE = BIT(IRQ_USB); /* the loop serves it */
            return;
        }
        usb_serve();
    }
    const uint8_t *bytes = ports_input(FRAMED, &count);
    const uint32_t most = count > BYTES_AT_ONCE ? BYTES_AT_ONCE : count;
    uint32_t n = 0;

    for (; n < most; n++) {
        if (bytes[n] == 0 && !box.lines.ready) {
            if (!markers)
                readback_drain(); /* too long for a marker, but a request could miss what came before it */
            else if (box.body_end == 0)
                break;
        }
        box_receive(&box, bytes[n]);
    }
    ports_taken(FRAMED, (uint8_t)n);

    bytes = ports_input(BYTES, &count);
    if (count > 0) {
        box_byte(&box, *bytes);
        ports_taken(BYTES, 1);
    }
    input_left = ports_have_input();
}

void input_take(void)
{
    take(false);
}

void input_end(void)
{
    ended = true;
}

/* Not from within the core: what is sent while the flash is written goes out from an interrupt, and what is
 * sent before a restart from the request for it. */
void let_markers_in(bool on)
{
    if (on ? ended || is_interrupt() || (!probe_levels_run && !readback_runs()) : !letting_in)
        return;
    if (on) {
        came = false;
        letting_in = true;
        NVIC_ENABLE = BIT(IRQ_USB);
    } else {
        NVIC_DISABLE = BIT(IRQ_USB);
    }
    __asm volatile("dsb\n\tisb" ::: "memory");
    if (!on)
        letting_in = false;
}

bool input_came(void)
{
    return came;
}

void usb_interrupt(void)
{
    if (!letting_in) {
        serve_interrupt();
        return;
    }
    came = true;
    take(true);
}
