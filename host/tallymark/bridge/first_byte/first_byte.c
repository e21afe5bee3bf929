#define _GNU_SOURCE /* the clock */
#include "first_byte.h"

#include <errno.h>
#include <poll.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "frame.h"

#define DIGITS_MOST 20
#define LINGER_MS 1

static int64_t now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC_RAW, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

/* Writes as `write` does. Nothing is written twice: a call that a signal interrupts has taken nothing. */
static int32_t handed(int descriptor, const void *bytes, size_t length, int32_t *error)
{
    ssize_t taken;
    do
        taken = write(descriptor, bytes, length);
    while (taken < 0 && errno == EINTR);
    *error = taken < 0 ? errno : 0;
    return taken < 0 ? 0 : (int32_t)taken;
}

static char *put_number(char *at, uint64_t value)
{
    char digits[DIGITS_MOST];
    int count = 0;
    do
        digits[count++] = (char)('0' + value % 10);
    while ((value /= 10) > 0);
    while (count > 0)
        *at++ = digits[--count];
    return at;
}

static char *put_text(char *at, const char *text, size_t length)
{
    memcpy(at, text, length);
    return at + length;
}

static void write_record(struct first_byte *own, const struct first_byte_meaning *meaning, int64_t host_ns)
{
    static const char begin[] = "{\"sent\":";
    char line[FIRST_BYTE_LINE];
    char *at = put_text(line, begin, sizeof begin - 1);
    at = put_number(at, own->number);
    at = put_text(at, meaning->text, meaning->text_length);
    at = put_number(at, (uint64_t)(host_ns + 500) / 1000);
    at = put_text(at, "}\n", 2);
    struct first_byte_unwritten *lost = &own->unwritten;
    int32_t length = (int32_t)(at - line);
    lost->written = handed(own->log, line, (size_t)length, &lost->error);
    if (lost->written == length)
        return;
    lost->length = length;
    memcpy(lost->line, line, (size_t)length);
    own->log_takes = false;
}

static void make_frame(struct first_byte_sent *sent, const struct first_byte_meaning *meaning, uint8_t tag)
{
    uint8_t *frame = sent->frame;
    uint8_t length = 0; /* the message begins behind the first byte of stuffing */
    frame[++length] = meaning->request;
    frame[++length] = tag;
    frame[++length] = sent->code;
    if (meaning->width_us != 0)
        for (int shift = 0; shift < 32; shift += 8)
            frame[++length] = (uint8_t)(meaning->width_us >> shift);
    sent->length = frame_close(frame, length);
}

/* The window's lock is held. False: the marker may not be sent from here. */
static bool send_first(struct first_byte *own, uint8_t byte, int64_t looked_ns)
{
    const struct first_byte_meaning *meaning = &own->meanings[byte];
    struct first_byte_sent *sent = &own->sent;
    if (own->tag == 0 || meaning->request == 0)
        return false;
    pthread_mutex_lock(&own->log_lock);
    bool logs = own->log >= 0;
    bool may = !logs || own->log_takes;
    if (may) {
        sent->handed_ns = now_ns();
        if (logs)
            write_record(own, meaning, sent->handed_ns);
    }
    pthread_mutex_unlock(&own->log_lock);
    if (!may)
        return false;
    sent->code = byte;
    make_frame(sent, meaning, own->tag);
    sent->looked_ns = looked_ns;
    sent->logged_ns = now_ns();
    sent->taken = handed(own->box, sent->frame, sent->length, &sent->error);
    sent->number = own->number;
    own->tag = 0;
    return true;
}

void first_byte_begin(struct first_byte *own, int wake, int box, int log)
{
    memset(own, 0, sizeof *own);
    pthread_mutex_init(&own->window_lock, NULL);
    pthread_mutex_init(&own->log_lock, NULL);
    own->wake = wake;
    own->box = box;
    own->log = log;
}

void first_byte_end(struct first_byte *own)
{
    pthread_mutex_destroy(&own->window_lock);
    pthread_mutex_destroy(&own->log_lock);
}

bool first_byte_enter_window(struct first_byte *own, struct first_byte_sent *sent)
{
    pthread_mutex_lock(&own->window_lock);
    bool any = own->sent.number != 0;
    if (any)
        *sent = own->sent;
    own->sent.number = 0;
    return any;
}

void first_byte_leave_window(struct first_byte *own, uint8_t tag, uint32_t number)
{
    own->tag = tag;
    own->number = number;
    pthread_mutex_unlock(&own->window_lock);
}

bool first_byte_enter_log(struct first_byte *own, struct first_byte_unwritten *unwritten)
{
    pthread_mutex_lock(&own->log_lock);
    bool any = own->unwritten.length != 0;
    if (any)
        *unwritten = own->unwritten;
    own->unwritten.length = 0;
    return any;
}

void first_byte_leave_log(struct first_byte *own, bool takes)
{
    own->log_takes = takes;
    pthread_mutex_unlock(&own->log_lock);
}

bool first_byte_wait(struct first_byte *own, int source, int schedule, struct first_byte_arrival *arrival)
{
    struct pollfd ends[] = {{.fd = source, .events = POLLIN}, {.fd = own->wake, .events = POLLIN}};
    while (poll(ends, 2, -1) < 0)
        if (errno != EINTR)
            return false;
    if (ends[0].revents != POLLIN)
        return false;
    arrival->looked_ns = now_ns();
    ssize_t count = read(source, arrival->bytes, FIRST_BYTE_READ);
    if (count <= 0)
        return false;
    arrival->count = (int32_t)count;
    pthread_mutex_lock(&own->window_lock);
    arrival->sent = send_first(own, arrival->bytes[0], arrival->looked_ns);
    pthread_mutex_unlock(&own->window_lock);
    ssize_t told = schedule < 0 ? 0 : pread(schedule, arrival->schedule, FIRST_BYTE_SCHEDULE, 0);
    arrival->schedule_length = told < 0 ? 0 : (int32_t)told;
    /* What carries the frame on may need this processor: only the next byte is as urgent. */
    if (arrival->sent && count == 1)
        poll(ends, 2, LINGER_MS);
    return true;
}
