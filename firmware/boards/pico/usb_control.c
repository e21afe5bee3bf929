/* Endpoint 0: the requests of USB 2.0 chapter 9, those of the communication class for the two ports, and
 * two of our own. What is not known, or not allowed in the state that the device is in, is stalled. */
#include "board_internal.h"
#include "usb.h"

#define STANDARD 0x00
#define CLASS 0x20
#define VENDOR 0x40
#define KIND_MASK 0x60
#define TO_DEVICE 0x00
#define TO_INTERFACE 0x01
#define TO_ENDPOINT 0x02
#define TARGET_MASK 0x1F
#define IN 0x80

enum {
    GET_STATUS,
    CLEAR_FEATURE,
    SET_FEATURE = 3,
    SET_ADDRESS = 5,
    GET_DESCRIPTOR,
    SET_DESCRIPTOR,
    GET_CONFIGURATION,
    SET_CONFIGURATION,
    GET_INTERFACE,
    SET_INTERFACE
};

#define ENDPOINT_HALT 0
#define LINE_CODING 7u /* bytes of a port's coding */

static struct {
    uint8_t configuration;
    bool addressed;
    bool boot_loader_asked, boot_loader; /* asked for; and confirmed to the host */
    const uint8_t *next;                 /* rest of the data on their way to the host */
    uint16_t left;
    bool sending, closing; /* there are data to send; and they have to end with an empty packet */
    uint8_t *into;         /* where data from the host go */
    uint8_t little[2];
} control;

void control_reset(void)
{
    const bool boot_loader = control.boot_loader;
    control = (typeof(control)){.boot_loader = boot_loader};
}

void control_abandon(void)
{
    control.sending = control.closing = false;
    control.into = 0;
}

bool control_wants_boot_loader(void)
{
    return control.boot_loader;
}

static void send_next(void)
{
    const uint8_t count = control.left < PACKET ? (uint8_t)control.left : PACKET;
    usb_send(CONTROL, control.next, count);
    control.next += count;
    control.left -= count;
    if (count < PACKET)
        control.closing = false;
    control.sending = control.left > 0 || control.closing;
}

/* Data stage to the host, at most as long as asked for. An empty packet ends data that are shorter than
 * asked for and fill their last packet (5.5.3). The host's empty answer may come at any time, so it is
 * expected from the start. */
static void answer(const struct setup *setup, const uint8_t *bytes, uint16_t count)
{
    control.next = bytes;
    control.left = count < setup->length ? count : setup->length;
    control.closing = control.left < setup->length;
    usb_expect(CONTROL);
    send_next();
}

static void confirm(void)
{
    usb_send(CONTROL, 0, 0);
}

static bool to_device(const struct setup *setup)
{
    switch (setup->request) {
    case GET_STATUS:
        if (setup->type != (IN | TO_DEVICE) || setup->value || setup->index || setup->length != 2)
            return false;
        control.little[0] = control.little[1] = 0; /* powered by the bus, wakes nobody */
        answer(setup, control.little, 2);
        return true;
    case SET_ADDRESS:
        if (setup->type != TO_DEVICE || setup->value > 127 || setup->index || setup->length ||
            control.configuration)
            return false;
        usb_set_address((uint8_t)setup->value);
        control.addressed = setup->value != 0;
        confirm();
        return true;
    case GET_DESCRIPTOR: {
        uint16_t count;
        const uint8_t *bytes = descriptor((uint8_t)(setup->value >> 8), (uint8_t)setup->value, &count);
        if (setup->type != (IN | TO_DEVICE) || !bytes)
            return false;
        if (setup->length == 0)
            confirm();
        else
            answer(setup, bytes, count);
        return true;
    }
    case GET_CONFIGURATION:
        if (setup->type != (IN | TO_DEVICE) || setup->value || setup->index || setup->length != 1)
            return false;
        control.little[0] = control.configuration;
        answer(setup, control.little, 1);
        return true;
    case SET_CONFIGURATION:
        if (setup->type != TO_DEVICE || setup->value > 1 || setup->index || setup->length ||
            !control.addressed)
            return false;
        control.configuration = (uint8_t)setup->value;
        usb_configure(control.configuration != 0);
        confirm();
        return true;
    default:
        return false; /* the device has no features to set or clear, and its descriptors are what they are */
    }
}

static bool to_interface(const struct setup *setup)
{
    if (!control.configuration || setup->index >= INTERFACES)
        return false;
    control.little[0] = control.little[1] = 0;
    switch (setup->request) {
    case GET_STATUS:
        if (setup->type != (IN | TO_INTERFACE) || setup->value || setup->length != 2)
            return false;
        answer(setup, control.little, 2);
        return true;
    case GET_INTERFACE:
        if (setup->type != (IN | TO_INTERFACE) || setup->value || setup->length != 1)
            return false;
        answer(setup, control.little, 1);
        return true;
    case SET_INTERFACE: /* there is one setting of each; its endpoints start over */
        if (setup->type != TO_INTERFACE || setup->value || setup->length)
            return false;
        if (setup->index == FRAMED_DATA || setup->index == BYTES_DATA) {
            const uint8_t number = setup->index == FRAMED_DATA ? FRAMED_BULK : BYTES_BULK;
            usb_halt(number, false);
            usb_halt(number | IN, false);
        }
        confirm();
        return true;
    default:
        return false;
    }
}

static bool to_endpoint(const struct setup *setup)
{
    const uint8_t address = (uint8_t)setup->index;

    if (setup->index & ~0x8Fu || !usb_endpoint_exists(address))
        return false;
    switch (setup->request) {
    case GET_STATUS:
        if (setup->type != (IN | TO_ENDPOINT) || setup->value || setup->length != 2)
            return false;
        control.little[0] = usb_is_halted(address);
        control.little[1] = 0;
        answer(setup, control.little, 2);
        return true;
    case CLEAR_FEATURE:
    case SET_FEATURE:
        if (setup->type != TO_ENDPOINT || setup->value != ENDPOINT_HALT || setup->length)
            return false;
        usb_halt(address, setup->request == SET_FEATURE);
        confirm();
        return true;
    default:
        return false;
    }
}

static bool standard(const struct setup *setup)
{
    switch (setup->type & TARGET_MASK) {
    case TO_DEVICE:
        return to_device(setup);
    case TO_INTERFACE:
        return to_interface(setup);
    case TO_ENDPOINT:
        return to_endpoint(setup);
    default:
        return false;
    }
}

static bool class(const struct setup *setup)
{
    uint8_t *coding;

    if (!control.configuration || !ports_request(setup, &coding))
        return false;
    if (setup->type & IN) {
        answer(setup, coding, LINE_CODING);
    } else if (setup->length) {
        control.into = coding;
        usb_expect(CONTROL);
    } else {
        confirm();
    }
    return true;
}

/* The value keeps a stray request from doing it. */
static bool vendor(const struct setup *setup)
{
    if (setup->type == (IN | VENDOR | TO_DEVICE) && setup->request == REQUEST_MICROSOFT &&
        setup->index == MICROSOFT_DESCRIPTOR_SET && setup->value == 0 && setup->length) {
        uint16_t count;
        const uint8_t *bytes = descriptor_microsoft(&count);
        answer(setup, bytes, count);
        return true;
    }
    if (setup->type == (VENDOR | TO_INTERFACE) && setup->request == REQUEST_BOOT_LOADER &&
        setup->index == BOOT_LOADER && setup->value == BOOT_LOADER_VALUE && setup->length == 0 &&
        control.configuration) {
        control.boot_loader_asked = true;
        confirm();
        return true;
    }
    return false;
}

void control_setup(const struct setup *setup)
{
    bool known = false;

    control.boot_loader_asked = false;
    switch (setup->type & KIND_MASK) {
    case STANDARD:
        known = standard(setup);
        break;
    case CLASS:
        known = class(setup);
        break;
    case VENDOR:
        known = vendor(setup);
        break;
    default:
        break;
    }
    if (!known)
        usb_control_stall();
}

/* A packet has gone to the host: part of the data, or the empty one that ends a request. */
void control_sent(void)
{
    if (control.sending)
        send_next();
    if (control.boot_loader_asked)
        control.boot_loader = true;
}

/* A packet has come: the host's empty one, which ends a request, or data of ours to keep. */
void control_received(const volatile uint8_t *bytes, uint8_t count)
{
    /* the host may end it early: data that are still waiting must not answer its next request */
    if (!control.into) {
        control.sending = false;
        usb_retract(CONTROL, true);
        return;
    }
    if (count == LINE_CODING) {
        for (uint8_t n = 0; n < LINE_CODING; n++)
            control.into[n] = bytes[n];
        confirm();
    } else {
        usb_control_stall();
    }
    control.into = 0;
}
