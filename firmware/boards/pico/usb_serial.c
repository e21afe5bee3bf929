/* The two serial ports: packets on one side, bytes on the other.
 *
 * What comes in waits in a queue of packets. A port asks for the next packet only when its queue has a
 * place for it, so the host waits where the core doesn't keep up. Bytes on their way to the host stay in a
 * ring until the packet has arrived. When the host closes the framed port, what it has not taken belongs
 * to nobody any more: it is dropped and counted. What the box says while the port is closed waits for the
 * next one who opens it. */
#include "usb.h"

#include "board_internal.h"

#define SET_LINE_CODING 0x20
#define GET_LINE_CODING 0x21
#define SET_CONTROL_LINE_STATE 0x22
#define TO_INTERFACE_OUT 0x21
#define TO_INTERFACE_IN 0xA1
#define OPEN                                                                                               \
    1 /* "data terminal ready": the only line that counts. Systems set it again in the middle of a session \
       */

#define QUEUE 16u /* packets that wait at most */

struct queue { /* `added` and `taken` run on; the place is the count modulo the size */
    uint8_t added, taken;
    uint8_t begun; /* bytes of the oldest packet that the core has seen */
    uint8_t length[QUEUE];
    uint32_t packets[QUEUE][PACKET / 4];
};

static struct port_state {
    struct queue input;
    uint8_t number; /* of its bulk endpoints */
    bool open;
    uint8_t coding[7]; /* kept because a host may ask for it; the speed means nothing here */
} ports[PORTS] = {
    [FRAMED] = {.number = FRAMED_BULK, .coding = {0, 0xC2, 1, 0, 0, 0, 8}},
    [BYTES] = {.number = BYTES_BULK, .coding = {0, 0xC2, 1, 0, 0, 0, 8}},
};

struct ring { /* as in the queue, the counts run on */
    uint8_t *bytes;
    uint16_t size;
    uint16_t added, taken;
};

static uint8_t framed_output[8192];
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

void ports_received(uint8_t number, const volatile uint32_t *packet, uint8_t count)
{
    struct queue *input = &ports[number == FRAMED_BULK ? FRAMED : BYTES].input;
    uint32_t *to = input->packets[input->added % QUEUE];

    input->length[input->added % QUEUE] = count;
    for (uint32_t n = 0; n < count; n += 4)
        *to++ = *packet++;
    if (count > 0)
        input->added++;
}

void ports_sent(uint8_t number)
{
    if (number != FRAMED_BULK)
        return;
    to_close = flying == PACKET;
    output.taken += flying;
    flying = 0;
}

void ports_retracted(uint8_t number)
{
    if (number == FRAMED_BULK)
        flying = 0;
}

static void send_packet(void)
{
    volatile uint8_t *const packet = usb_packet(FRAMED_BULK, true);
    const uint16_t waiting = used(&output);

    flying = waiting < PACKET ? (uint8_t)waiting : PACKET;
    let_markers_in(true);
    for (uint32_t n = 0; n < flying; n++)
        packet[n] = at(&output, (uint16_t)(output.taken + n));
    let_markers_in(false);
    if (usb_is_free(FRAMED_BULK, true))
        usb_launch(FRAMED_BULK, flying);
    else
        flying = 0; /* markers came in, and now it is late in the frame */
}

static bool has_place(const struct queue *input)
{
    return (uint8_t)(input->added - input->taken) < QUEUE;
}

void ports_expect(void)
{
    if (usb_is_free(FRAMED_BULK, false) && has_place(&ports[FRAMED].input))
        usb_expect(FRAMED_BULK);
    if (usb_is_free(BYTES_BULK, false) && has_place(&ports[BYTES].input))
        usb_expect(BYTES_BULK);
}

void ports_hand_over(void)
{
    if ((used(&output) || to_close) && usb_is_free(FRAMED_BULK, true))
        send_packet();
}

void ports_serve(void)
{
    ports_expect();
    ports_hand_over();
}

static void close(enum port port)
{
    if (ports[port].open && port == FRAMED) {
        usb_retract(FRAMED_BULK, true);
        for (; used(&output); output.taken++)
            unsent += at(&output, output.taken) == 0;
        to_close = false;
    }
    ports[port].open = false;
}

void ports_configured(void)
{
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
        return setup->type == TO_INTERFACE_OUT && setup->value == 0 &&
               setup->length == sizeof ports[port].coding;
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

const uint8_t *ports_input(enum port port, uint8_t *count)
{
    const struct queue *input = &ports[port].input;

    if (input->added == input->taken) {
        *count = 0;
        return 0;
    }
    *count = input->length[input->taken % QUEUE] - input->begun;
    return (const uint8_t *)input->packets[input->taken % QUEUE] + input->begun;
}

void ports_taken(enum port port, uint8_t count)
{
    struct queue *input = &ports[port].input;

    input->begun += count;
    if (input->added != input->taken && input->begun == input->length[input->taken % QUEUE]) {
        input->begun = 0;
        input->taken++;
    }
}

bool ports_have_input(void)
{
    return ports[FRAMED].input.added != ports[FRAMED].input.taken ||
           ports[BYTES].input.added != ports[BYTES].input.taken;
}

uint16_t ports_room(void)
{
    return (uint16_t)(output.size - used(&output));
}

uint16_t ports_reserve(uint8_t count)
{
    const uint16_t place = output.added;

    output.added += count;
    return place;
}

void ports_fill(uint16_t place, const uint8_t *bytes, uint8_t count)
{
    for (uint8_t n = 0; n < count; n++)
        output.bytes[place++ & (output.size - 1u)] = bytes[n];
}

void ports_send(const uint8_t *bytes, uint8_t count)
{
    ports_fill(ports_reserve(count), bytes, count);
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
