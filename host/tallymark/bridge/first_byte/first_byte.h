/* Waits at a byte port for the first byte, and sends it to the box as a marker at once. Linux only.
 *
 * The program's other threads send markers too, and write the log. Two locks keep them apart: `window` guards
 * what the next request may be, `log` the file. Whoever takes one of them learns first what was done here
 * meanwhile, and has to take note of it; whoever leaves one says what may be done next. `window` is taken
 * before `log`. Times are nanoseconds of CLOCK_MONOTONIC_RAW. */
#pragma once

#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>

#define FIRST_BYTE_TEXT 200
#define FIRST_BYTE_LINE 256
#define FIRST_BYTE_FRAME 16
#define FIRST_BYTE_READ 4096
#define FIRST_BYTE_SCHEDULE 64

/* What one byte is to the box. request: type of the request; 0: this byte is not sent from here. width_us: of
 * a pulse with a width of its own; 0: it has none. text: of its record in the log, between the number of the
 * marker and the digits of the host time. */
struct first_byte_meaning {
    uint8_t request;
    uint8_t text_length;
    uint32_t width_us;
    char text[FIRST_BYTE_TEXT];
};

/* A marker that was handed to the port. number: 0: none. taken: bytes of the frame that the port took; error:
 * of the call, 0 or a value of errno. looked_ns: just before the byte was read; handed_ns: just before the
 * record went into the log; logged_ns: after that, just before the frame went to the port. */
struct first_byte_sent {
    uint32_t number;
    uint8_t code;
    uint8_t length;
    uint8_t frame[FIRST_BYTE_FRAME];
    int32_t taken;
    int32_t error;
    int64_t looked_ns;
    int64_t handed_ns;
    int64_t logged_ns;
};

/* A record of which the log took only a part, or nothing. length: 0: none. error: 0 or a value of errno. */
struct first_byte_unwritten {
    int32_t length;
    int32_t written;
    int32_t error;
    char line[FIRST_BYTE_LINE];
};

/* What came in. sent: whether the first byte was handed to the port. schedule: what the system said then of
 * the time for which this thread had waited for a processor. */
struct first_byte_arrival {
    int32_t count;
    bool sent;
    int32_t schedule_length;
    char schedule[FIRST_BYTE_SCHEDULE];
    int64_t looked_ns;
    uint8_t bytes[FIRST_BYTE_READ];
};

struct first_byte {
    pthread_mutex_t window_lock;
    pthread_mutex_t log_lock;
    int wake;
    int box;
    int log;
    uint8_t tag;
    uint32_t number;
    bool log_takes;
    struct first_byte_sent sent;
    struct first_byte_unwritten unwritten;
    struct first_byte_meaning meanings[256];
};

/* Begins with nothing that may be sent. wake: a descriptor that ends a wait once it is readable. box: that of
 * the box's port. log: the log's, opened for appending; -1: there is none. */
void first_byte_begin(struct first_byte *own, int wake, int box, int log);

/* Ends it; nobody has a lock, and none will be taken. */
void first_byte_end(struct first_byte *own);

/* Takes the lock of the window. True: `sent` is what went out since then, and has to be taken note of. */
bool first_byte_enter_window(struct first_byte *own, struct first_byte_sent *sent);

/* Leaves it. tag, number: of the next marker; with a tag of 0 none may be sent. */
void first_byte_leave_window(struct first_byte *own, uint8_t tag, uint32_t number);

/* Takes the lock of the log. True: `unwritten` is the record that it lacks. */
bool first_byte_enter_log(struct first_byte *own, struct first_byte_unwritten *unwritten);

/* Leaves it. takes: whether a record may be written that begins on a line of its own. */
void first_byte_leave_log(struct first_byte *own, bool takes);

/* Waits until something can be read from a descriptor, and reads it. If a marker may be sent, the first byte
 * is: into the log, then to the port; then the caller goes on after a millisecond, or with the next byte.
 * schedule: a descriptor of the calling thread's /proc/thread-self/schedstat; -1: there is none. False if the
 * caller has to look by itself: it was woken, or the descriptor has no bytes but an end or an error. */
bool first_byte_wait(struct first_byte *own, int source, int schedule, struct first_byte_arrival *arrival);
