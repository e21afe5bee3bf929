/* The Pico: the core's main loop, and the parts of the border that are a line or two. */
#include "box_state.h"
#include "board_internal.h"
#include "pins.h"
#include "rp2040.h"
#include "usb.h"

#define LOOK_AROUND_US 100UL /* what happens by the clock is noticed this late at most */
#define PIECES_AT_ONCE 16u    /* of work on samples; then the rest of the loop gets its turn */
#define LAST_WORDS_US 200000UL
#define LAST_READ_US 20000UL
#define UNPLUGGED_US 50000UL

struct box box;

int main(void);

uint64_t board_time(struct board *board)
{
    uint32_t high, low;

    (void)board;
    do {
        high = TIMER_RAW_HIGH;
        low = TIMER_RAW_LOW;
    } while (high != TIMER_RAW_HIGH);
    return (uint64_t)high << 32 | low;
}

uint16_t board_send_room(struct board *board)
{
    (void)board;
    return ports_room();
}

void board_send(struct board *board, const uint8_t *bytes, uint8_t count)
{
    (void)board;
    ports_send(bytes, count);
}

uint16_t board_send_reserve(struct board *board, uint8_t count)
{
    (void)board;
    return ports_reserve(count);
}

void board_send_fill(struct board *board, uint16_t place, const uint8_t *bytes, uint8_t count)
{
    (void)board;
    ports_fill(place, bytes, count);
}

static void serve_usb(void)
{
    usb_serve();
    ports_serve();
}

static void serve_usb_for(uint32_t time)
{
    for (const uint64_t start = board_time(0); board_time(0) - start < time; serve_usb())
        watchdog_feed();
}

/* Leaves the host time to hand the last answer to its program, then unplugs itself, so that the box is
 * seen to go and come. */
void board_restart(struct board *board, bool into_boot_loader)
{
    input_end();
    for (const uint64_t start = board_time(board);
         !ports_all_sent() && board_time(board) - start < LAST_WORDS_US; serve_usb())
        watchdog_feed();
    serve_usb_for(LAST_READ_US);
    usb_stop();
    serve_usb_for(UNPLUGGED_US);
    restart_now(into_boot_loader);
}

/* Two interrupts: USB, and the alarm that looks around. Runs only while the flash is being written; at all
 * other times the main loop does this. */
void serve_interrupt(void)
{
    TIMER_INTR = 1;
    TIMER_ALARM0 = TIMER_RAW_LOW + LOOK_AROUND_US;
    serve_usb();
    usb_look(false);
    readback_drain();
    if (probe_levels_run)
        while (probe_levels_work())
            ;
}

/* An interrupt that is enabled but masked ends the sleep without being taken. */
static void sleep(void)
{
    interrupts_off();
    TIMER_INTR = 1;
    TIMER_ALARM0 = TIMER_RAW_LOW + LOOK_AROUND_US;
    NVIC_CLEAR_PENDING = BIT(IRQ_TIMER0) | BIT(IRQ_USB);
    serve_by_interrupt(true);
    if (usb_is_quiet() && !input_left) {
        usb_look(true);
        __asm volatile("wfi" ::: "memory");
    }
    serve_by_interrupt(false);
    interrupts_on();
}

static void look_after_itself(void)
{
    watchdog_feed();
    box_unsent(&box, ports_unsent());
    if (control_wants_boot_loader())
        board_restart(0, true);
}

/* Until something comes in, or for so many pieces; false if there was no work. */
static bool work_on_samples(void)
{
    bool more = true;

    let_markers_in(true);
    for (uint32_t n = 0; n < PIECES_AT_ONCE && more && !input_came(); n++)
        more = probe_levels_work();
    let_markers_in(false);
    return more;
}

static void look_at_inputs(void)
{
    if (!readback_waits())
        return;
    let_markers_in(true);
    readback_drain();
    let_markers_in(false);
}

int main(void)
{
    uint8_t serial[8];

    tick_start();
    watchdog_start();
    clocks_start();
    players_start(&box);
    readback_start(&box);
    probe_levels_of(&box);
    input_start();
    flash_start();
    SIO_GPIO_OE_SET = BIT(PIN_STATUS_LED);
    GPIO_CTRL(PIN_STATUS_LED) = GPIO_FUNCTION_SIO;
    TIMER_INTE = BIT(0) | BIT(1);
    NVIC_ENABLE = BIT(IRQ_TIMER1);
    interrupts_on();

    box_start(&box, 0, restart_cause());
    players_drive(); /* nobody knew before which level is idle */
    board_serial(0, serial);
    descriptors_start(serial, (const uint8_t *)box.settings.name);
    SIO_GPIO_OUT_SET = BIT(PIN_STATUS_LED);
    usb_start();

    /* a marker that comes in waits for one of these at most */
    for (uint32_t turn = 0;; turn = turn < 5 ? turn + 1 : 0) {
        if (!usb_is_quiet() || input_left) {
            input_take();
            usb_look(false);
            ports_serve();
        }
        switch (turn) {
        case 0:
            usb_look(false);
            look_at_inputs();
            break;
        case 1:
            box_poll(&box);
            break;
        case 2:
            ports_expect();
            break;
        case 3:
            ports_hand_over();
            break;
        case 4:
            look_after_itself();
            break;
        default:
            if (!probe_levels_run || !work_on_samples())
                sleep();
        }
    }
}
