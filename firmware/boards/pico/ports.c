/* The two serial ports: packets on one side, rings of bytes on the other.
 *
 * A port takes a packet only when its ring has room for a whole one, so the host waits where the core doesn't keep up. Bytes
 * on their way to the host stay in the ring until the packet has arrived. When the host closes the framed port, what it has
 * not taken belongs to nobody any more: it is dropped and counted. What the box says while the port is closed waits for the
 * next one who opens it. */
#include "usb.h"

#define SET_LINE_CODING 0x20
#define GET_LINE_CODING 0x21
#define SET_CONTROL_LINE_STATE 0x22
#define TO_INTERFACE_OUT 0x21
#define TO_INTERFACE_IN 0xA1
#define OPEN 1 /* "data terminal ready" */

struct ring { /* the counts run on; the place is the count modulo the size, a power of two */
    uint8_t *bytes;
    uint16_t size;
    uint16_t added, taken;
};

static uint8_t framed_input[1024], framed_output[8192], bytes_input[256];

static struct port_state {
    struct ring input;
    uint8_t number; /* of its bulk endpoints */
    bool open;
    uint8_t coding[7]; /* kept because a host may ask for it; the speed means nothing here */
} ports[PORTS] = {
    [FRAMED] = {.input = {framed_input, sizeof framed_input, 0, 0}, .number = FRAMED_BULK, .coding = {0, 0xC2, 1, 0, 0, 0, 8}},
    [BYTES] = {.input = {bytes_input, sizeof bytes_input, 0, 0}, .number = BYTES_BULK, .coding = {0, 0xC2, 1, 0, 0, 0, 8}},
};

static struct ring output = {framed_output, sizeof framed_output, 0, 0};
static uint8_t flying; /* bytes of the packet that is on its way to the host */
static bool to_close;  /* the last packet was full: an empty one has to tell the host that nothing follows */
static uint16_t unsent;

static uint16_t used(const struct ring *ring)
{
    return (uint16_t)(ring->added - ring->taken);
}

static uint8_t at(const struct ring *ring, uint16_t count)
{
    return ring->bytes[count & (ring->size - 1u)];
}

static void add(struct ring *ring, uint8_t byte)
{
    ring->bytes[ring->added++ & (ring->size - 1u)] = byte;
}

void ports_received(uint8_t number, const volatile uint8_t *bytes, uint8_t count)
{
    struct ring *input = &ports[number == FRAMED_BULK ? FRAMED : BYTES].input;
    uint8_t *const ring = input->bytes;
    const uint32_t last = input->size - 1u;
    uint32_t to = input->added;

    for (uint32_t n = 0; n < count; n++)
        ring[to++ & last] = bytes[n];
    input->added = (uint16_t)to;
}

void ports_sent(uint8_t number)
{
    if (number != FRAMED_BULK)
        return;
    to_close = flying == PACKET;
    output.taken += flying;
    flying = 0;
}

static void send_packet(void)
{
    uint8_t packet[PACKET];
    const uint16_t waiting = used(&output);

    flying = waiting < PACKET ? (uint8_t)waiting : PACKET;
    for (uint8_t n = 0; n < flying; n++)
        packet[n] = at(&output, (uint16_t)(output.taken + n));
    usb_send(FRAMED_BULK, packet, flying);
}

void ports_serve(void)
{
    for (int port = 0; port < PORTS; port++) {
        const struct ring *input = &ports[port].input;
        if (usb_is_free(ports[port].number, false) && used(input) + PACKET <= input->size)
            usb_expect(ports[port].number);
    }
    if ((used(&output) || to_close) && usb_is_free(FRAMED_BULK, true))
        send_packet();
}

static void close(enum port port)
{
    if (ports[port].open && port == FRAMED) {
        usb_retract(FRAMED_BULK, true);
        for (; used(&output); output.taken++)
            unsent += at(&output, output.taken) == 0;
        flying = 0;
        to_close = false;
    }
    ports[port].open = false;
}

void ports_configured(void)
{
    flying = 0;
    to_close = false;
}

void ports_closed(void)
{
    close(FRAMED);
    close(BYTES);
    ports_configured();
}

bool ports_request(const struct setup *setup, uint8_t **coding)
{
    enum port port;

    if (setup->index == FRAMED_CONTROL)
        port = FRAMED;
    else if (setup->index == BYTES_CONTROL)
        port = BYTES;
    else
        return false;
    *coding = ports[port].coding;
    switch (setup->request) {
    case SET_LINE_CODING:
        return setup->type == TO_INTERFACE_OUT && setup->value == 0 && setup->length == sizeof ports[port].coding;
    case GET_LINE_CODING:
        return setup->type == TO_INTERFACE_IN && setup->value == 0 && setup->length > 0;
    case SET_CONTROL_LINE_STATE:
        if (setup->type != TO_INTERFACE_OUT || setup->length != 0)
            return false;
        if (setup->value & OPEN)
            ports[port].open = true;
        else
            close(port);
        return true;
    default:
        return false;
    }
}

const uint8_t *ports_input(enum port port, uint16_t *count)
{
    const struct ring *input = &ports[port].input;
    const uint16_t place = input->taken & (input->size - 1u);

    *count = used(input) < input->size - place ? used(input) : (uint16_t)(input->size - place);
    return input->bytes + place;
}

void ports_taken(enum port port, uint16_t count)
{
    ports[port].input.taken += count;
}

bool ports_have_input(void)
{
    return used(&ports[FRAMED].input) || used(&ports[BYTES].input);
}

uint16_t ports_room(void)
{
    return (uint16_t)(output.size - used(&output));
}

void ports_send(const uint8_t *bytes, uint8_t count)
{
    for (uint8_t n = 0; n < count; n++)
        add(&output, bytes[n]);
}

bool ports_all_sent(void)
{
    return !used(&output) && !to_close;
}

uint16_t ports_unsent(void)
{
    const uint16_t count = unsent;
    unsent = 0;
    return count;
}
