/* Throws broken and random input at the firmware core, built with sanitizers, and watches its lines.
 *
 *   fuzz faults < FRAMES    FRAMES has one good frame a line, in hex. Sends each with every single-bit error, every
 *                           double-bit error and cut at every length; no line may move and the next good frame must work.
 *   fuzz random BYTES SEED  random bytes in chunks of random size; no line may move.
 *   fuzz requests COUNT SEED
 *                           well-formed frames of random types, lengths and bodies, which the core acts on; lines outside
 *                           the ones in use may not move, and the box must stay alive.
 *
 * Prints what was done, and exits with 1 and the input that did it where something went wrong. */
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bytes_and_counters.h"
#include "frame.h"
#include "messages.h"
#include "settings.h"
#include "virtual.h"

static struct virtual_box *box;
static uint64_t random_state;

static uint32_t random_below(uint32_t limit) /* xorshift64*, S. Vigna 2016 */
{
    random_state ^= random_state >> 12;
    random_state ^= random_state << 25;
    random_state ^= random_state >> 27;
    return (uint32_t)((random_state * 2685821657736338717u) >> 32) % limit;
}

static void start(void)
{
    static const uint8_t serial[8] = "fuzzing";
    box = virtual_new(serial);
    if (box == NULL)
        exit(2);
    virtual_start(box, 1);
}

static void fail(const char *what, const uint8_t *bytes, size_t count)
{
    printf("FAILED: %s, after", what);
    for (size_t i = 0; i < count; i++)
        printf(" %02X", bytes[i]);
    printf("\n");
    exit(1);
}

static size_t edges(void)
{
    static struct virtual_edge taken[4096];
    size_t count = 0;
    for (size_t n; (n = virtual_take_edges(box, taken, 4096)) > 0;)
        count += n;
    return count;
}

static void drop_answers(void)
{
    static uint8_t taken[4096];
    while (virtual_take(box, taken, sizeof taken) > 0)
        ;
}

static size_t request(uint8_t *wire, uint8_t type, uint8_t tag, const uint8_t *body, uint8_t length)
{
    wire[1] = type;
    wire[2] = tag;
    memmove(wire + 3, body, length);
    return frame_close(wire, (uint8_t)(length + 2));
}

/* Sends a request without a body, and reads what the box says up to the frame of a type and the request's tag. Returns
 * whether it came; `alone` tells whether nothing else came before or after it. */
static bool ask(uint8_t type, uint8_t wanted, struct frame_reader *reader, bool *alone)
{
    enum { TAG = 77 };
    uint8_t wire[WIRE_LONGEST];
    uint8_t answer[128];
    drop_answers();
    virtual_receive(box, wire, request(wire, type, TAG, wire, 0));
    size_t count = virtual_take(box, answer, sizeof answer);
    *alone = true;
    memset(reader, 0, sizeof *reader);
    for (size_t i = 0; i < count; i++) {
        if (frame_read(reader, answer[i]) != FRAME_GOOD)
            continue;
        if ((reader->bytes[0] & ~MESSAGE_IN_SESSION) == wanted && reader->bytes[1] == TAG) {
            *alone = *alone && i + 1 == count;
            return true;
        }
        *alone = false;
    }
    return false;
}

/* Whether the box answers a request for its clock, and nothing but that. */
static bool answers(void)
{
    struct frame_reader reader;
    bool alone;
    return ask(REQUEST_CLOCK, ANSWER_DONE, &reader, &alone) && alone;
}

static uint64_t cases;

static void try_broken(const uint8_t *wire, size_t count)
{
    cases++;
    virtual_receive(box, wire, count);
    virtual_receive(box, (const uint8_t[]){0}, 1);
    if (edges() != 0)
        fail("a line moved", wire, count);
    if (!answers())
        fail("the next good frame was not answered", wire, count);
}

static void flip(uint8_t *wire, size_t bit)
{
    wire[bit / 8] ^= (uint8_t)(1u << bit % 8);
}

static void faults_of(uint8_t *wire, size_t count)
{
    size_t bits = 8 * count;
    for (size_t first = 0; first < bits; first++) {
        flip(wire, first);
        try_broken(wire, count);
        for (size_t second = first + 1; second < bits; second++) {
            flip(wire, second);
            try_broken(wire, count);
            flip(wire, second);
        }
        flip(wire, first);
    }
    for (size_t length = 0; length + 1 < count; length++)
        try_broken(wire, length);
}

static void faults(void)
{
    char line[1024];
    int frames = 0;
    start();
    edges();
    while (fgets(line, sizeof line, stdin) != NULL) {
        uint8_t wire[WIRE_LONGEST];
        size_t count = 0;
        unsigned value;
        int used;
        for (const char *at = line; count < sizeof wire && sscanf(at, "%2x%n", &value, &used) == 1; at += used)
            wire[count++] = (uint8_t)value;
        faults_of(wire, count);
        frames++;
    }
    printf("%d frames, %" PRIu64 " faulty ones: no line moved, every next frame was answered\n", frames, cases);
}

static void random_bytes(uint64_t total)
{
    uint8_t chunk[300];
    start();
    edges();
    for (uint64_t sent = 0; sent < total;) {
        size_t count = 1 + random_below(sizeof chunk);
        bool zeros = random_below(2) == 0; /* short frames and plausible code bytes, in every other chunk */
        for (size_t i = 0; i < count; i++)
            chunk[i] = (uint8_t)(zeros ? random_below(4) == 0 ? 0 : random_below(20) : random_below(256));
        virtual_receive(box, chunk, count);
        virtual_advance(box, virtual_time(box) + random_below(1000));
        if (edges() != 0)
            fail("a line moved", chunk, count);
        drop_answers();
        sent += count;
    }
    virtual_receive(box, (const uint8_t[]){0}, 1);
    if (!answers())
        fail("the box does not answer", chunk, 0);
    printf("%" PRIu64 " random bytes: no line moved, the box answers\n", total);
}

static uint8_t random_type(void)
{
    static const uint8_t types[] = {
        REQUEST_IDENTIFY,       REQUEST_CLOCK,         REQUEST_COUNTERS,       REQUEST_LEVELS,        REQUEST_FATE,
        REQUEST_PULSE,          REQUEST_PULSE_FOR,     REQUEST_SET,            REQUEST_SEQUENCE_LOAD, REQUEST_SEQUENCE_START,
        REQUEST_SEQUENCE_STOP,  REQUEST_SEQUENCE_STATE, REQUEST_CAPTURE_START, REQUEST_CAPTURE_FETCH, REQUEST_CAPTURE_STOP,
        REQUEST_SETTINGS_READ,  REQUEST_SETTINGS_WRITE, REQUEST_SETTINGS_KEEP, REQUEST_SETTINGS_FACTORY, REQUEST_RESTART,
        REQUEST_SESSION,        REQUEST_TIMED,         REQUEST_TIMED,          REQUEST_CANCEL,        REQUEST_FATE_OF_NUMBER,
        REQUEST_SEQUENCE_START_AT};
    return random_below(8) == 0 ? (uint8_t)random_below(256) : types[random_below(sizeof types)];
}

static uint8_t length_of(uint8_t type)
{
    switch (type) {
    case REQUEST_IDENTIFY: return 2;
    case REQUEST_PULSE_FOR: return 5;
    case REQUEST_SEQUENCE_LOAD: return 7;
    case REQUEST_SEQUENCE_START: case REQUEST_CAPTURE_FETCH: case REQUEST_SESSION: return 4;
    case REQUEST_CANCEL: case REQUEST_FATE_OF_NUMBER: return 4;
    case REQUEST_TIMED: return 14;
    case REQUEST_SEQUENCE_START_AT: return 8;
    case REQUEST_SETTINGS_WRITE: return SETTINGS_LENGTH;
    case REQUEST_SNIPPET_TAKE: case REQUEST_SNIPPET_READ: return 2;
    case REQUEST_FATE: case REQUEST_RESTART: case REQUEST_PULSE: case REQUEST_SET: case REQUEST_CAPTURE_START: return 1;
    default: return 0;
    }
}

/* Bodies that are often within their ranges, so that the handlers do get to work. */
static void random_body(uint8_t *body, uint8_t type)
{
    bool small = random_below(4) != 0;
    for (uint8_t i = 0; i < BODY_LONGEST; i++)
        body[i] = (uint8_t)(small ? random_below(4) : random_below(256));
    if (type == REQUEST_SETTINGS_WRITE && small) {
        memset(body, 'a', 16);
        bytes_put_u32(bytes_put_u32(bytes_put_u32(bytes_put_u32(body + 16, 1 + random_below(900)), random_below(300)), random_below(2) * 2000), 9600);
        body[32] = (uint8_t)(1 + random_below(255));
        body[33] = 0; /* idle stays low, so that a level outside the lines in use is easily seen */
        body[34] = (uint8_t)random_below(2);
        body[35] = (uint8_t)random_below(3);
        memset(body + SETTINGS_OF_ALL, 0, SETTINGS_LENGTH - SETTINGS_OF_ALL);
        body[37] = (uint8_t)random_below(128); /* probes, with thresholds: about a third is taken */
        for (uint8_t at = 42; at < 50; at += 4)
            bytes_put_u16(bytes_put_u16(body + at, (uint16_t)(1 + random_below(65535))), 0);
    } else if (type == REQUEST_SETTINGS_WRITE) {
        body[33] = 2; /* refused */
    } else if (type == REQUEST_TIMED && small) { /* around now */
        uint32_t time = (uint32_t)virtual_time(box) + random_below(2000) - 100;
        body[0] = (uint8_t)random_below(2);
        bytes_put_u32(body + 2, body[0] == 0 ? random_below(500) : 0);
        bytes_put_u32(bytes_put_u32(body + 6, time), time + random_below(200));
    }
    if (small && type == REQUEST_SEQUENCE_START_AT)
        bytes_put_u32(bytes_put_u32(body, random_below(4)), (uint32_t)virtual_time(box) + random_below(2000));
}

/* The lines in use, asked from the box itself; 0 without an answer. */
static uint8_t lines_in_use(void)
{
    struct frame_reader reader;
    bool alone;
    return ask(REQUEST_SETTINGS_READ, ANSWER_SETTINGS, &reader, &alone) ? reader.bytes[2 + 5 + 32] : 0;
}

static void random_requests(uint64_t total)
{
    uint64_t moved = 0;
    start();
    for (uint64_t sent = 0; sent < total; sent++) {
        uint8_t wire[WIRE_LONGEST];
        uint8_t body[BODY_LONGEST];
        uint8_t type = random_type();
        uint8_t length = random_below(16) == 0 ? (uint8_t)random_below(BODY_LONGEST + 1) : length_of(type);
        random_body(body, type);
        size_t count = request(wire, type, (uint8_t)random_below(256), body, length);
        virtual_receive(box, wire, count);
        if (random_below(4) == 0)
            virtual_byte_input(box, body, random_below(4));
        if (random_below(4) == 0)
            virtual_probe(box, (int)random_below(3), (uint16_t)random_below(65536), virtual_time(box) + random_below(300));
        virtual_advance(box, virtual_time(box) + random_below(400));
        if (random_below(3) == 0)
            drop_answers(); /* at times the host doesn't read */
        if (virtual_wants_restart(box) || random_below(5000) == 0)
            virtual_start(box, 5);
        if (random_below(64) == 0) {
            moved += edges();
            if (virtual_outputs(box) & ~lines_in_use())
                fail("a line that is not in use moved", wire, count);
        }
    }
    if (!answers())
        fail("the box does not answer", NULL, 0);
    printf("%" PRIu64 " random requests: %" PRIu64 " edges, all on lines in use, the box answers\n", total, moved);
}

int main(int argc, char **argv)
{
    if (argc == 4) {
        uint64_t total = strtoull(argv[2], NULL, 10);
        random_state = strtoull(argv[3], NULL, 10) * 2654435769u + 1;
        if (strcmp(argv[1], "random") == 0)
            random_bytes(total);
        else if (strcmp(argv[1], "requests") == 0)
            random_requests(total);
        else
            return 2;
    } else if (argc == 2 && strcmp(argv[1], "faults") == 0) {
        faults();
    } else {
        return 2;
    }
    virtual_free(box);
    return 0;
}
