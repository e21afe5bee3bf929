/* Coverage-guided fuzzing of the firmware core, by libFuzzer with AddressSanitizer and UBSan.
 *
 * An input is a list of actions: raw bytes and well-formed requests for the framed port, bytes for the byte input, leaps of
 * time, what the store holds at a start, power cuts. What has to hold for any of them:
 *   - what the box sends is whole frames, each with a good CRC;
 *   - lines that are not in use stay at idle;
 *   - box time never goes back, and the box answers in the end;
 *   - a frame made of any message reads back as that message. */
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "board_config.h"
#include "bytes_and_counters.h"
#include "frame.h"
#include "messages.h"
#include "settings.h"
#include "virtual.h"

#define MOST_EVENTS 300 /* in one leap of time: a sequence has an event for each step */

struct input {
    const uint8_t *at;
    const uint8_t *end;
};

static struct virtual_box *box;
static struct frame_reader reader; /* of what the box sends */
static struct frame_reader settings; /* its last answer `settings` */

static void check(bool fine)
{
    if (!fine)
        abort();
}

static uint8_t next(struct input *input)
{
    return input->at < input->end ? *input->at++ : 0;
}

/* Up to `most` of the next bytes. Returns how many. */
static size_t some(struct input *input, uint8_t *bytes, size_t most)
{
    size_t count = 0;
    while (count < most && input->at < input->end)
        bytes[count++] = *input->at++;
    return count;
}

static void listen(void)
{
    uint8_t said[512];
    for (size_t count; (count = virtual_take(box, said, sizeof said)) > 0;)
        for (size_t n = 0; n < count; n++) {
            enum frame_event event = frame_read(&reader, said[n]);
            check(event != FRAME_BROKEN);
            if (event == FRAME_GOOD && (reader.bytes[0] & ~MESSAGE_IN_SESSION) == ANSWER_SETTINGS)
                settings = reader;
        }
}

static void ask(uint8_t type, const uint8_t *body, uint8_t length)
{
    uint8_t wire[WIRE_LONGEST];
    static uint8_t tag;
    tag = (uint8_t)(tag % 255 + 1);
    wire[1] = type;
    wire[2] = tag;
    for (uint8_t n = 0; n < length; n++)
        wire[3 + n] = body[n];
    virtual_receive(box, wire, frame_close(wire, (uint8_t)(2 + length)));
}

static void start(void)
{
    static const uint8_t serial[8] = "guided";
    if (box == NULL)
        box = virtual_new(serial);
    check(box != NULL);
    memset(&reader, 0, sizeof reader);
    virtual_start(box, 1);
}

/* Lines that are not in use are at idle, as the box's own settings have it. */
static void check_lines(void)
{
    virtual_receive(box, (const uint8_t[]){0}, 1); /* whatever has begun is over */
    listen();
    settings.length = 0;
    ask(REQUEST_SETTINGS_READ, NULL, 0);
    listen();
    check(settings.length == 2 + 5 + SETTINGS_LENGTH + 2);
    const uint8_t *record = settings.bytes + 2 + 5;
    uint8_t idle = record[33] == IDLE_HIGH ? 0xFF : 0;
    check(((virtual_outputs(box) ^ idle) & (uint8_t)~record[32]) == 0);
    check(bytes_get_u32(record + 16) >= BOARD_LEAST_WIDTH);
}

static void leap(struct input *input)
{
    uint8_t size = next(input);
    uint64_t us = (uint64_t)next(input) << size % 36;
    uint64_t before = virtual_time(box);
    for (int events = 0; events < MOST_EVENTS && virtual_next(box) <= before + us; events++)
        virtual_advance(box, virtual_next(box));
    if (virtual_next(box) > before + us)
        virtual_advance(box, before + us);
    check(virtual_time(box) >= before);
}

static void request(struct input *input)
{
    static const struct {
        uint8_t type, length;
    } known[] = {
        {REQUEST_IDENTIFY, 2},      {REQUEST_CLOCK, 0},          {REQUEST_COUNTERS, 0},        {REQUEST_LEVELS, 0},
        {REQUEST_FATE, 1},          {REQUEST_RESTART, 1},        {REQUEST_PULSE, 1},           {REQUEST_PULSE_FOR, 5},
        {REQUEST_SET, 1},           {REQUEST_SEQUENCE_LOAD, 7},  {REQUEST_SEQUENCE_START, 4},  {REQUEST_SEQUENCE_STOP, 0},
        {REQUEST_SEQUENCE_STATE, 0}, {REQUEST_CAPTURE_START, 1}, {REQUEST_CAPTURE_FETCH, 4},   {REQUEST_CAPTURE_STOP, 0},
        {REQUEST_SETTINGS_READ, 0}, {REQUEST_SETTINGS_WRITE, 50}, {REQUEST_SETTINGS_KEEP, 0},  {REQUEST_SETTINGS_FACTORY, 0},
        {REQUEST_TIMED, 14},        {REQUEST_CANCEL, 4},         {REQUEST_FATE_OF_NUMBER, 4},  {REQUEST_SESSION, 4},
        {REQUEST_PROBE_LEVELS, 0},  {REQUEST_SNIPPET_TAKE, 2},   {REQUEST_SNIPPET_READ, 2},
        {REQUEST_SEQUENCE_START_AT, 8},
    };
    uint8_t number = next(input) % (sizeof known / sizeof *known);
    uint8_t body[SETTINGS_LENGTH] = {0};
    some(input, body, known[number].length);
    if (known[number].type == REQUEST_TIMED) { /* from now on */
        uint32_t at = bytes_get_u16(body + 6) + (uint32_t)virtual_time(box);
        bytes_put_u32(bytes_put_u32(body + 6, at), at + bytes_get_u16(body + 10));
    }
    if (known[number].type == REQUEST_SEQUENCE_START_AT)
        bytes_put_u32(body + 4, bytes_get_u16(body + 4) + (uint32_t)virtual_time(box));
    ask(known[number].type, body, known[number].length);
}

static void round_trip(struct input *input)
{
    uint8_t wire[WIRE_LONGEST];
    uint8_t message[FRAME_LONGEST];
    uint8_t wanted = next(input) % (FRAME_LONGEST - 3);
    uint8_t length = (uint8_t)(2 + some(input, message + 2, wanted));
    message[0] = next(input);
    message[1] = next(input);
    memcpy(wire + 1, message, length);
    uint8_t count = frame_close(wire, length);
    check(count == length + 4);
    struct frame_reader again = {0};
    for (uint8_t n = 0; n + 1 < count; n++) {
        check(wire[n] != 0);
        check(frame_read(&again, wire[n]) == FRAME_GOES_ON);
    }
    check(frame_read(&again, wire[count - 1]) == FRAME_GOOD);
    check(again.length == length + 2 && memcmp(again.bytes, message, length) == 0);
}

/* A start with any store. A good CRC is put there now and then, or nothing behind it would ever be reached. */
static void start_with_store(struct input *input)
{
    uint8_t how = next(input);
    uint8_t *store = virtual_store(box);
    some(input, store, VIRTUAL_STORE_SIZE);
    for (uint8_t slot = 0; slot < 2; slot++)
        if (how >> slot & 1) {
            uint8_t *at = store + slot * VIRTUAL_SLOT_SIZE;
            at[0] = 1;
            at[1] = SETTINGS_LENGTH;
            uint16_t crc = CRC_START;
            for (uint8_t n = 0; n < 6 + SETTINGS_LENGTH; n++)
                crc = frame_crc(crc, at[n]);
            bytes_put_u16(at + 6 + SETTINGS_LENGTH, crc);
        }
    listen();
    start();
}

static void act(struct input *input)
{
    uint8_t bytes[80];
    uint8_t action = next(input);
    switch (action % 8) {
    case 0:
    case 1:
        request(input);
        break;
    case 2:
        virtual_receive(box, bytes, some(input, bytes, 1 + next(input) % sizeof bytes));
        break;
    case 3:
        if (action >= 128) {
            uint8_t probe = next(input);
            uint16_t level = (uint16_t)(next(input) << 8);
            virtual_probe(box, probe % 4, level, virtual_time(box) + (uint64_t)next(input) * (probe >> 2));
            break;
        }
        virtual_byte_input(box, bytes, some(input, bytes, 1 + next(input) % 4));
        break;
    case 4:
        leap(input);
        break;
    case 5:
        round_trip(input);
        break;
    case 6:
        start_with_store(input);
        break;
    case 7:
        virtual_cut_power(box, next(input) % 50);
        ask(REQUEST_SETTINGS_KEEP, NULL, 0);
        listen();
        start();
        break;
    }
    if (virtual_wants_restart(box)) {
        listen();
        start();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct input input = {data, data + size};
    start();
    memset(virtual_store(box), 0xFF, VIRTUAL_STORE_SIZE);
    start();
    while (input.at < input.end) {
        act(&input);
        if (next(&input) % 2 == 0)
            check_lines();
    }
    check_lines();
    return 0;
}
