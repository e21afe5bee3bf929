/* The USB controller: packets in and out (datasheet 4.1, USB 2.0 chapters 5 and 8).
 *
 * Each endpoint has one buffer. A host that finds it busy is told to wait (NAK) and asks again, so nothing
 * is ever lost for want of a buffer. */
#include "usb.h"

#include "board_internal.h"
#include "rp2040.h"

/* Where each endpoint's packets lie in the controller's memory; endpoint 0 has one buffer for both
 * directions. */
#define BUFFER(number, in) \
    (USB_MEMORY + ((number) == CONTROL ? 0x100u : 0x180u + 0x80u * ((number) - 1u) + ((in) ? 0 : 0x40u)))

#define KIND_BULK 2UL
#define KIND_INTERRUPT 3UL
/* Longest wait for a transaction to end: twice what the longest packet takes with its token, its handshake
 * and all stuffed bits. It ends by this time on chips before revision B2, where EP_ABORT has no effect. */
#define RETRACT_US 120u

/* Erratum RP2040-E15: with some hubs, a bulk packet to the host that is handed over late in a frame can
 * hang the controller. The open USB stacks for this chip hand none over in this part of the frame, in
 * microseconds from its start. */
#define LATE_FROM_US 800u
#define LATE_TO_US 998u
#define HAND_OVER_US 10u /* from the look at the clock until the packet is copied and handed over */

#define SIE_PULL_UP BIT(16)
#define SIE_EP0_INTERRUPT BIT(29)

static struct {
    bool armed[2], data1[2], halted[2]; /* [in] */
} endpoints[ENDPOINTS];

static void buffer_done(uint8_t number, bool in);

/* The last frame started after the first of these moments and before the second. */
static uint32_t frame_after, frame_before;
static uint32_t looked_at; /* no frame had started until then that is not known */
static bool asleep;        /* since then: the frame that ends the sleep is noticed at once */

static bool configured;
static uint8_t new_address; /* takes effect when the status stage is over */

volatile uint8_t *usb_packet(uint8_t number, bool in)
{
    return (volatile uint8_t *)BUFFER(number, in);
}

/* The controller reads a buffer's control word on its own, slower clock: everything else has to stand
 * there some cycles before the bit that hands the buffer over (4.1.2.5.1). */
static void hand_over(uint8_t number, bool in, uint32_t control)
{
    USB_BUFFER_CONTROL(number, in) = control;
    __asm volatile("b 1f\n1: b 1f\n1: b 1f\n1: b 1f\n1: b 1f\n1: b 1f\n1: b 1f\n1: b 1f\n1: b 1f\n1:");
    USB_BUFFER_CONTROL(number, in) = control | USB_BUFFER_READY;
}

static void arm(uint8_t number, bool in, uint32_t control)
{
    if (endpoints[number].data1[in])
        control |= USB_BUFFER_DATA1;
    endpoints[number].data1[in] = !endpoints[number].data1[in];
    endpoints[number].armed[in] = true;
    hand_over(number, in, control);
}

void usb_send(uint8_t number, const uint8_t *bytes, uint8_t count)
{
    volatile uint8_t *packet = usb_packet(number, true);
    for (uint8_t n = 0; n < count; n++)
        packet[n] = bytes[n];
    usb_launch(number, count);
}

void usb_launch(uint8_t number, uint8_t count)
{
    arm(number, true, USB_BUFFER_FULL | count);
}

void usb_expect(uint8_t number)
{
    arm(number, false, PACKET);
}

static uint32_t buffer_bit(uint8_t number, bool in)
{
    return BIT(2u * number + !in);
}

static void note_frame(void)
{
    (void)USB_SOF_READ;
    frame_before = TIMER_RAW_LOW;
    frame_after = asleep ? frame_before : looked_at;
    looked_at = frame_before;
    asleep = false;
}

void usb_retract(uint8_t number, bool in)
{
    const uint32_t bit = buffer_bit(number, in);

    if (!endpoints[number].armed[in])
        return;
    SET_BITS(USB_EP_ABORT, bit);
    for (const uint32_t start = TIMER_RAW_LOW;
         !(USB_EP_ABORT_DONE & bit) && TIMER_RAW_LOW - start <= RETRACT_US;)
        if (USB_INTS & USB_INT_FRAME)
            note_frame();
    if (USB_BUFF_STATUS & bit) { /* it went through at the last moment */
        USB_BUFF_STATUS = bit;
        buffer_done(number, in);
    } else {
        USB_BUFFER_CONTROL(number, in) = 0;
        endpoints[number].armed[in] = false;
        endpoints[number].data1[in] = !endpoints[number].data1[in];
        if (in)
            ports_retracted(number);
    }
    CLEAR_BITS(USB_EP_ABORT, bit);
    USB_EP_ABORT_DONE = bit;
}

/* What the last request left armed is taken back first: it would answer the new one. */
void usb_control_begin(void)
{
    for (int in = 0; in < 2; in++) {
        usb_retract(CONTROL, in);
        USB_BUFFER_CONTROL(CONTROL, in) = 0;
        endpoints[CONTROL].armed[in] = false;
        endpoints[CONTROL].data1[in] = true;
    }
}

void usb_control_stall(void)
{
    USB_STALL_ARM = 3;
    USB_BUFFER_CONTROL(CONTROL, true) = USB_BUFFER_STALL;
    USB_BUFFER_CONTROL(CONTROL, false) = USB_BUFFER_STALL;
}

bool usb_endpoint_exists(uint8_t address)
{
    const uint8_t number = address & 0x7F;
    const bool in = address & 0x80;

    if (number == CONTROL)
        return true;
    return configured && number < ENDPOINTS && (in || number == FRAMED_BULK || number == BYTES_BULK);
}

static bool late_in_frame(void)
{
    const uint32_t now = TIMER_RAW_LOW;

    return now - frame_after >= LATE_FROM_US - HAND_OVER_US && now - frame_before <= LATE_TO_US;
}

bool usb_is_free(uint8_t number, bool in)
{
    return configured && !endpoints[number].armed[in] && !endpoints[number].halted[in] &&
           !(in && late_in_frame());
}

bool usb_is_halted(uint8_t address)
{
    return endpoints[address & 0x7F].halted[address >> 7];
}

/* Endpoint 0 is never halted: a stall there ends with the next request. Leaving a halt starts over with
 * DATA0 (9.4.5). */
void usb_halt(uint8_t address, bool halt)
{
    const uint8_t number = address & 0x7F;
    const bool in = address & 0x80;

    if (number == CONTROL)
        return;
    endpoints[number].halted[in] = true; /* nothing is to be armed anew */
    usb_retract(number, in);
    endpoints[number].halted[in] = halt;
    endpoints[number].data1[in] = false;
    USB_BUFFER_CONTROL(number, in) = halt ? USB_BUFFER_STALL : 0;
}

void usb_set_address(uint8_t address)
{
    new_address = address | 0x80;
}

void usb_configure(bool on)
{
    configured = on;
    for (uint8_t number = 1; number < ENDPOINTS; number++) {
        const uint32_t kind = number == FRAMED_BULK || number == BYTES_BULK ? KIND_BULK : KIND_INTERRUPT;
        for (int in = 0; in < 2; in++) {
            endpoints[number].halted[in] = true;
            usb_retract(number, in);
            endpoints[number].armed[in] = endpoints[number].halted[in] = endpoints[number].data1[in] = false;
            USB_BUFFER_CONTROL(number, in) = 0;
            if (in || kind == KIND_BULK)
                USB_EP_CONTROL(number, in) =
                    on ? BIT(31) | BIT(29) | kind << 26 | (BUFFER(number, in) - USB_MEMORY) : 0;
        }
    }
    if (on)
        ports_configured();
    else
        ports_closed();
}

static void bus_reset(void)
{
    USB_ADDRESS = 0;
    new_address = 0;
    usb_control_begin();
    usb_configure(false);
    control_reset();
}

static inline void packet_received(uint8_t number)
{
    const uint8_t count = (uint8_t)(USB_BUFFER_CONTROL(number, false) & USB_BUFFER_LENGTH);

    endpoints[number].armed[false] = false;
    ports_received(number, (const volatile uint32_t *)usb_packet(number, false), count);
}

static void control_done(bool in)
{
    if (!in) {
        control_received(usb_packet(CONTROL, in),
                         (uint8_t)(USB_BUFFER_CONTROL(CONTROL, in) & USB_BUFFER_LENGTH));
        return;
    }
    if (new_address & 0x80) {
        USB_ADDRESS = new_address & 0x7F;
        new_address = 0;
    }
    control_sent();
}

static void buffer_done(uint8_t number, bool in)
{
    if (!endpoints[number].armed[in])
        return; /* of a transfer that has been given up */
    endpoints[number].armed[in] = false;
    if (number == CONTROL)
        control_done(in);
    else if (in)
        ports_sent(number);
    else
        packet_received(number);
}

static void setup_received(void)
{
    const volatile uint32_t *const words = (const volatile uint32_t *)USB_MEMORY;

    USB_SIE_STATUS = USB_SIE_STATUS_SETUP;
    const uint32_t first = words[0], second = words[1];
    usb_control_begin();
    new_address = 0;
    control_setup(&(struct setup){.type = (uint8_t)first,
                                  .request = (uint8_t)(first >> 8),
                                  .value = (uint16_t)(first >> 16),
                                  .index = (uint16_t)second,
                                  .length = (uint16_t)(second >> 16)});
}

bool usb_is_quiet(void)
{
    return USB_INTS == 0;
}

void usb_look(bool sleeps)
{
    if (!(USB_INTS & USB_INT_FRAME))
        looked_at = TIMER_RAW_LOW;
    asleep = sleeps;
}

/* Finished buffers come before a new request: they are older. But what a request would do next is over
 * with a new one. */
static __attribute__((noinline)) void serve(uint32_t events)
{
    const uint32_t done = USB_BUFF_STATUS;

    if (events & ~USB_INT_BUFFERS) {
        if (events & USB_INT_FRAME)
            note_frame();
        if (events & (USB_INT_SETUP | USB_INT_RESET))
            control_abandon();
    }
    USB_BUFF_STATUS = done;
    for (uint8_t number = 0; number < ENDPOINTS; number++) {
        if (done & buffer_bit(number, true))
            buffer_done(number, true);
        if (done & buffer_bit(number, false))
            buffer_done(number, false);
    }
    if (events & USB_INT_RESET) {
        USB_SIE_STATUS = USB_SIE_STATUS_RESET;
        bus_reset();
    }
    if (events & USB_INT_SETUP)
        setup_received();
}

/* A packet of the framed port, which is what happens most and has to be quick. */
static inline bool serve_framed(uint32_t events)
{
    const uint32_t from_host = BIT(2 * FRAMED_BULK + 1), to_host = BIT(2 * FRAMED_BULK);

    if (events != USB_INT_BUFFERS)
        return false;
    const uint32_t done = USB_BUFF_STATUS;
    if (done == from_host && endpoints[FRAMED_BULK].armed[false]) {
        USB_BUFF_STATUS = done;
        packet_received(FRAMED_BULK);
        return true;
    }
    if (done == to_host && endpoints[FRAMED_BULK].armed[true]) {
        USB_BUFF_STATUS = done;
        endpoints[FRAMED_BULK].armed[true] = false;
        ports_sent(FRAMED_BULK);
        return true;
    }
    return false;
}

/* Everything that has happened since the last call. */
void usb_serve(void)
{
    const uint32_t events = USB_INTS;

    if (!serve_framed(events) && events)
        serve(events);
}

bool usb_serve_ports(void)
{
    const uint32_t control = BIT(2 * CONTROL) | BIT(2 * CONTROL + 1);
    const uint32_t events = USB_INTS;

    if (serve_framed(events))
        return true;
    if (events & ~(USB_INT_BUFFERS | USB_INT_FRAME) || USB_BUFF_STATUS & control)
        return false;
    serve(events);
    return true;
}

void usb_start(void)
{
    for (uintptr_t at = USB_MEMORY; at < USB_MEMORY + 0x100; at += 4)
        REGISTER(at) = 0;
    USB_MUXING = BIT(0) | BIT(3);  /* to the chip's own transceiver */
    USB_PWR = BIT(2) | BIT(3);     /* the supply of the bus is there: the board lives on it */
    USB_MAIN_CTRL = BIT(0);
    USB_SIE_CTRL = SIE_EP0_INTERRUPT;
    USB_INTE = USB_INT_BUFFERS | USB_INT_RESET | USB_INT_SETUP | USB_INT_FRAME;
    usb_control_begin();
    SET_BITS(USB_SIE_CTRL, SIE_PULL_UP);
}

void usb_stop(void)
{
    CLEAR_BITS(USB_SIE_CTRL, SIE_PULL_UP);
}
