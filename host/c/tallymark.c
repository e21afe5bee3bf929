/* See tallymark.h for what this does and how to use it, and protocol/PROTOCOL.md for what goes over
 * the link; "section" in a comment means a section of that document.
 *
 * From here to the end: the port (POSIX, Windows, sockets), texts, frames, what comes in, requests
 * and their answers, overdue answers, and then the public functions in the order of the header. */
#ifndef _DEFAULT_SOURCE
#define _DEFAULT_SOURCE /* baud rates above 38,400 and flock */
#endif
#ifndef _DARWIN_C_SOURCE
#define _DARWIN_C_SOURCE
#endif
#ifndef _CRT_RAND_S
#define _CRT_RAND_S /* rand_s, on Windows */
#endif
#include "tallymark.h"

#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#ifdef _WIN32
#define WIN32_LEAN_AND_MEAN
#include <winsock2.h>
#include <ws2tcpip.h>
#include <windows.h>
#else
#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>
#ifdef __APPLE__
#include <IOKit/serial/ioss.h>
#endif
#endif

enum { MAJOR = 2, MINOR = 0, BAUD = 500000, WIRE_MOST = 66, WIRE_OVER_BODY = 6 };

enum { /* requests, section 4.1 */
    IDENTIFY = 0x01, CLOCK, COUNTERS, LEVELS, FATE, SESSION = 0x07, FATE_OF_NUMBER,
    PULSE = 0x10, PULSE_FOR, SET, TIMED, CANCEL,
    SEQUENCE_LOAD = 0x18, SEQUENCE_START, SEQUENCE_STOP, SEQUENCE_STATE, SEQUENCE_START_AT,
    CAPTURE_START = 0x20, CAPTURE_FETCH, CAPTURE_STOP,
    SETTINGS_READ = 0x28
};
enum { /* answers, section 4.2, and notices, section 4.3 */
    DONE = 0x80, DONE_NOTED, NOT_DONE, IDENTITY, COUNTERS_ANSWER, LEVELS_ANSWER, FATE_ANSWER,
    SEQUENCE_ANSWER, EDGES_ANSWER, SETTINGS_ANSWER, ACCEPTED,
    STARTED = 0xC0, SEQUENCE_ENDED, BYTE_MARKER = 0xC3, HOLD_ENDED, MARKER_EDGE
};
enum { FIRST_ANSWER = 0x80, IN_SESSION = 0x20 /* bit of the type, section 3.3 */ };
enum { /* least lengths of their bodies: later versions may put something behind */
    DONE_SIZE = 8, DONE_NOTED_SIZE = 17, NOT_DONE_SIZE = 6, IDENTITY_SIZE = 58, COUNTERS_SIZE = 44,
    LEVELS_SIZE = 10, FATE_SIZE = 25, SEQUENCE_SIZE = 27, EDGES_SIZE = 5, EDGE_SIZE = 10,
    SETTINGS_SIZE = 55, STARTED_SIZE = 3, SEQUENCE_ENDED_SIZE = 12, BYTE_MARKER_SIZE = 19,
    HOLD_ENDED_SIZE = 9, MARKER_EDGE_SIZE = 22, ACCEPTED_SIZE = 4
};
enum {
    REASON_VERSION = 3, REASON_TAG_REPEATED = 5, REASON_CANCELLED = 19, REASON_LATE = 22,
    REASON_TAKEN = 23, REASON_PLACES = 24
};
enum { CAPABLE_AHEAD = 0x10, CAPABLE_START_AT = 0x100, CAUSE_UNKNOWN = 6, BOARD_VIRTUAL = 1, BOARD_PICO = 3 };
enum { NOTE_NO_EDGE = 1, ORIGIN_OTHER_VERSION = 3, SOURCE_READBACK = 0 };
enum { CLOSED, OPEN, BROKEN };
enum { SENT, ASKED, DOUBTED }; /* states of a marker request, section 3.4 */
enum { SILENT_MOST = 100 };    /* tags without an answer, section 3.2 */

#define MILLISECOND 1000000ull /* in nanoseconds, as all times of the computer here */
#define SECOND (1000 * MILLISECOND)
#define OVERDUE (500 * MILLISECOND) /* section 3.4 */
#define PATIENCE (20 * MILLISECOND) /* with an answer that a marker has to wait for */
#define OPENING (6 * SECOND)
#define STALE (20 * MILLISECOND) /* section 3.6 */
#define QUIET (1600 * MILLISECOND) /* after a question without an answer, while a box may start */
#define NEVER UINT64_MAX
#define EXPIRY_MOST_US (17 * 60 * 1000000ull)
#define AHEAD_MOST_US (30 * 60 * 1000000ull) /* box times on the wire have 32 bits */
#define SURELY_PAST_US (1u << 30) /* before an expiry in reach, and not out of reach itself */

/* The port ------------------------------------------------------------------------------------- */

#ifdef _WIN32
#define poll WSAPoll
#define close_socket closesocket
typedef SOCKET descriptor;

uint64_t tallymark_now_ns(void)
{
    LARGE_INTEGER rate, count;
    QueryPerformanceFrequency(&rate);
    QueryPerformanceCounter(&count);
    uint64_t per_second = (uint64_t)rate.QuadPart, ticks = (uint64_t)count.QuadPart;
    return ticks / per_second * SECOND + ticks % per_second * SECOND / per_second;
}

static bool would_block(void)
{
    int error = WSAGetLastError();
    return error == WSAEWOULDBLOCK || error == WSAEINTR;
}

static int open_serial(tallymark *box)
{
    char path[sizeof box->where + 4];
    snprintf(path, sizeof path, "\\\\.\\%s", box->where);
    HANDLE port = CreateFileA(path, GENERIC_READ | GENERIC_WRITE, 0, NULL, OPEN_EXISTING, 0, NULL);
    if (port == INVALID_HANDLE_VALUE)
        return GetLastError() == ERROR_ACCESS_DENIED ? TALLYMARK_ERROR_BUSY
                                                     : TALLYMARK_ERROR_NO_PORT;
    DCB mode = {.DCBlength = sizeof mode, .BaudRate = BAUD, .fBinary = 1, .ByteSize = 8,
                .Parity = NOPARITY, .StopBits = ONESTOPBIT, .fDtrControl = DTR_CONTROL_ENABLE,
                .fRtsControl = RTS_CONTROL_ENABLE};
    if (!SetCommState(port, &mode)) {
        CloseHandle(port);
        return TALLYMARK_ERROR_NOT_A_BOX;
    }
    box->port = (intptr_t)port;
    return 0;
}

static int read_serial(tallymark *box, uint8_t *bytes, size_t most, uint32_t wait_ms)
{
    COMMTIMEOUTS times = {MAXDWORD, wait_ms ? MAXDWORD : 0, wait_ms, 0, 1000};
    DWORD count = 0;
    if (!SetCommTimeouts((HANDLE)box->port, &times)
        || !ReadFile((HANDLE)box->port, bytes, (DWORD)most, &count, NULL))
        return -1;
    return (int)count;
}

static bool write_serial(tallymark *box, const uint8_t *bytes, size_t length)
{
    DWORD count = 0;
    return WriteFile((HANDLE)box->port, bytes, (DWORD)length, &count, NULL) && count == length;
}

static int take(tallymark *box, uint8_t *bytes, size_t most)
{
    return recv((SOCKET)box->port, (char *)bytes, (int)most, 0);
}

static int give(tallymark *box, const uint8_t *bytes, size_t length)
{
    return send((SOCKET)box->port, (const char *)bytes, (int)length, 0);
}

static void close_port(tallymark *box)
{
    if (box->is_socket)
        closesocket((SOCKET)box->port);
    else
        CloseHandle((HANDLE)box->port);
}

static void never_block(SOCKET port)
{
    u_long yes = 1;
    ioctlsocket(port, (long)FIONBIO, &yes);
}

static bool begin_sockets(void)
{
    WSADATA unused;
    return WSAStartup(MAKEWORD(2, 2), &unused) == 0;
}

static uint32_t random_number(void)
{
    unsigned number = 0;
    return rand_s(&number) == 0 ? number : 0;
}
#else
#define close_socket close
typedef int descriptor;

#ifdef CLOCK_MONOTONIC_RAW /* no time service speeds it up or slows it down */
#define HOST_CLOCK CLOCK_MONOTONIC_RAW
#else
#define HOST_CLOCK CLOCK_MONOTONIC
#endif

uint64_t tallymark_now_ns(void)
{
    struct timespec now;
    clock_gettime(HOST_CLOCK, &now);
    return (uint64_t)now.tv_sec * SECOND + (uint64_t)now.tv_nsec;
}

static bool would_block(void)
{
    return errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR;
}

/* Raw, 8N1, no flow control, not blocking. */
static bool make_raw(int port)
{
    struct termios mode;
    if (tcgetattr(port, &mode) != 0)
        return false;
    mode.c_iflag = 0;
    mode.c_oflag = 0;
    mode.c_lflag = 0;
    mode.c_cflag = CS8 | CREAD | CLOCAL | (mode.c_cflag & HUPCL);
    mode.c_cc[VMIN] = 1; /* with 0, a port that went away looks like one with nothing to read */
    mode.c_cc[VTIME] = 0;
#ifdef B500000
    return cfsetispeed(&mode, B500000) == 0 && cfsetospeed(&mode, B500000) == 0
        && tcsetattr(port, TCSANOW, &mode) == 0;
#else
    speed_t speed = BAUD;
    if (cfsetispeed(&mode, B9600) != 0 || cfsetospeed(&mode, B9600) != 0
        || tcsetattr(port, TCSANOW, &mode) != 0)
        return false;
#ifdef __APPLE__ /* refused by a pseudo-terminal, which has no baud rate */
    ioctl(port, IOSSIOSPEED, &speed);
    return true;
#else
    return cfsetispeed(&mode, speed) == 0 && cfsetospeed(&mode, speed) == 0
        && tcsetattr(port, TCSANOW, &mode) == 0;
#endif
#endif
}

static int open_serial(tallymark *box)
{
    int port = open(box->where, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port < 0)
        return errno == EACCES || errno == EPERM ? TALLYMARK_ERROR_DENIED
            : errno == EBUSY                     ? TALLYMARK_ERROR_BUSY
                                                 : TALLYMARK_ERROR_NO_PORT;
    int error = 0;
    if (flock(port, LOCK_EX | LOCK_NB) != 0)
        error = TALLYMARK_ERROR_BUSY;
    else if (!make_raw(port))
        error = TALLYMARK_ERROR_NOT_A_BOX;
    if (error) {
        close(port);
        return error;
    }
#ifdef TIOCEXCL /* a pseudo-terminal would stay closed to others after a crash: it lives on */
    if (strncmp(box->where, "/dev/pts/", 9) != 0)
        ioctl(port, TIOCEXCL);
#endif
    box->port = port;
    return 0;
}

#ifndef MSG_NOSIGNAL
#define MSG_NOSIGNAL 0
#endif

static int take(tallymark *box, uint8_t *bytes, size_t most)
{
    return (int)read((int)box->port, bytes, most);
}

static int give(tallymark *box, const uint8_t *bytes, size_t length)
{
    if (box->is_socket)
        return (int)send((int)box->port, bytes, length, MSG_NOSIGNAL);
    return (int)write((int)box->port, bytes, length);
}

static void close_port(tallymark *box)
{
    close((int)box->port);
}

static void never_block(int port)
{
    fcntl(port, F_SETFL, fcntl(port, F_GETFL) | O_NONBLOCK);
#ifdef SO_NOSIGPIPE
    setsockopt(port, SOL_SOCKET, SO_NOSIGPIPE, &(int){1}, sizeof(int));
#endif
}

static bool begin_sockets(void)
{
    return true;
}

static uint32_t random_number(void)
{
    uint32_t number = 0;
    int source = open("/dev/urandom", O_RDONLY | O_CLOEXEC);
    if (source >= 0 && read(source, &number, sizeof number) != (ssize_t)sizeof number)
        number = 0;
    if (source >= 0)
        close(source);
    return number;
}
#endif

/* A number for a session: not 0, and another one than those of other programs. */
static uint32_t session_number(void)
{
    uint32_t number = random_number();
    if (!number) /* no source of random numbers */
        number = (uint32_t)(tallymark_now_ns() / 1000 * 2654435761u);
    return number ? number : 1;
}

static bool wait_until(descriptor port, short events, uint32_t wait_ms)
{
    struct pollfd one = {.fd = port, .events = events};
    return poll(&one, 1, (int)wait_ms) > 0;
}

/* Opens `socket://HOST:PORT`; an IPv6 host stands in brackets. */
static int open_socket(tallymark *box, const char *address)
{
    char host[sizeof box->where];
    const char *colon = strrchr(address, ':');
    if (!colon || !begin_sockets())
        return TALLYMARK_ERROR_NO_PORT;
    bool brackets = address[0] == '[' && colon[-1] == ']';
    snprintf(host, sizeof host, "%.*s", (int)(colon - address) - 2 * brackets, address + brackets);
    struct addrinfo wanted = {.ai_socktype = SOCK_STREAM}, *found;
    if (getaddrinfo(host, colon + 1, &wanted, &found) != 0)
        return TALLYMARK_ERROR_NO_PORT;
    for (struct addrinfo *each = found; each && !box->is_socket; each = each->ai_next) {
        descriptor port = socket(each->ai_family, each->ai_socktype, each->ai_protocol);
        int failed = 1, yes = 1;
        socklen_t size = sizeof failed;
        never_block(port);
        if (connect(port, each->ai_addr, (socklen_t)each->ai_addrlen) == 0
            || wait_until(port, POLLOUT, 3000))
            getsockopt(port, SOL_SOCKET, SO_ERROR, (void *)&failed, &size);
        if (failed) {
            close_socket(port);
            continue;
        }
        setsockopt(port, IPPROTO_TCP, TCP_NODELAY, (const void *)&yes, sizeof yes);
        box->port = (intptr_t)port;
        box->is_socket = 1;
    }
    freeaddrinfo(found);
    return box->is_socket ? 0 : TALLYMARK_ERROR_NO_PORT;
}

static int open_port(tallymark *box)
{
    static const char scheme[] = "socket://";
    if (strncmp(box->where, scheme, sizeof scheme - 1) == 0)
        return open_socket(box, box->where + sizeof scheme - 1);
    return open_serial(box);
}

/* Reads what is there, or waits for the first byte. Returns how many; -1: the port went away. */
static int read_port(tallymark *box, uint8_t *bytes, size_t most, uint32_t wait_ms)
{
#ifdef _WIN32
    if (!box->is_socket)
        return read_serial(box, bytes, most, wait_ms);
#endif
    if (wait_ms)
        wait_until((descriptor)box->port, POLLIN, wait_ms);
    int count = take(box, bytes, most);
    if (count < 0 && would_block())
        return 0;
    return count > 0 ? count : -1;
}

static bool write_port(tallymark *box, const uint8_t *bytes, size_t length)
{
#ifdef _WIN32
    if (!box->is_socket)
        return write_serial(box, bytes, length);
#endif
    while (length > 0) {
        int count = give(box, bytes, length);
        if (count > 0) {
            bytes += count;
            length -= (size_t)count;
        } else if (!would_block() || !wait_until((descriptor)box->port, POLLOUT, 1000)) {
            return false;
        }
    }
    return true;
}

/* Texts ---------------------------------------------------------------------------------------- */

#ifdef __GNUC__
__attribute__((format(printf, 3, 4)))
#endif
static void append(char *text, size_t size, const char *format, ...)
{
    size_t length = strlen(text);
    va_list values;
    va_start(values, format);
    vsnprintf(text + length, size - length, format, values);
    va_end(values);
}

#define ADD(box, ...) append((box)->text, sizeof(box)->text, __VA_ARGS__)
#define SAY(box, ...) ((box)->text[0] = '\0', ADD(box, __VA_ARGS__))

/* Why a request was refused, what that means, and what to do: section 4.4. */
static const char *const reasons[][2] = {
    [1] = {"unknown request", "Its firmware does not know that request. Update the firmware."},
    [2] = {"wrong length", "Library and firmware do not fit together. Update both."},
    [3] = {"version", "It speaks another major version. Update the firmware or this library."},
    [4] = {"tag zero", "The connection between program and box alters bytes. Change the cable."},
    [5] = {"tag repeated", "The connection between program and box repeats bytes. Change the cable."},
    [6] = {"outside lines", "The code needs a line that is not in use, or that is the strobe. Choose "
                            "another code, or change 'lines' or 'strobe' in the settings."},
    [7] = {"width range", "A width or hold time is beyond what this box can do. Stay within the "
                          "limits of its identity."},
    [8] = {"overlap", "An earlier pulse was still out, and 'overlap' is set to refuse. Use "
                      "shorter pulses or leave more time between markers."},
    [9] = {"waiting", "An earlier marker still waited for its gap. Leave more time between "
                      "markers, or make the gap shorter."},
    [10] = {"playing", "A sequence plays. Stop it first, or wait for its end."},
    [11] = {"sequence order", "A step is missing. Load the sequence again."},
    [12] = {"sequence full", "It holds fewer steps. Make the sequence shorter, or use repeats."},
    [13] = {"sequence empty", "There is nothing to play. Load a sequence first."},
    [14] = {"sequence long", "So many steps can't be repeated so often. Use fewer repeats."},
    [15] = {"value range", "A value is out of range. For idle, set code 0."},
    [16] = {"lines busy", "A marker is out or waits, or its gap is not over. Wait until the pulse "
                          "is over, or set code 0 first."},
    [17] = {"store failed", "Its memory did not take the settings. Try again."},
    [18] = {"unsupported", "This board can't do that."},
    [19] = {"cancelled", "It was taken back, or code 0 was set or the box restarted while it waited. "
                         "Between two markers, leave more time than the gap."},
    [20] = {"bytes off", "The byte input is switched off. Change 'byte mode' in the settings."},
    [21] = {"no marker", "Byte 0 is no marker here. Send codes from 1 to 255."},
    [22] = {"late", "It would have come after its expiry. Send it earlier, or allow more time."},
    [23] = {"taken", "It is in the way of a marker that was given ahead, or one is in its way. Leave "
                     "more time between them, or cancel the other one."},
    [24] = {"places", "The box holds no more markers ahead. Wait for one of them, or cancel one."}};

static const char *const whys[] = {
    [TALLYMARK_WHY_UNKNOWN] = "the box has no record of it: most likely it never arrived",
    [TALLYMARK_WHY_SILENT] = "the box did not answer the question for its fate",
    [TALLYMARK_WHY_FORGOTTEN] = "too many requests followed for the box to remember it",
    [TALLYMARK_WHY_RESTARTED] = "the box started again before its answer was received",
    [TALLYMARK_WHY_GONE] = "the connection was lost before its answer was received",
    [TALLYMARK_WHY_CLOSED] = "the box was closed before its answer was received",
    [TALLYMARK_WHY_TAKEN] = "another program began to use the box before its answer was received",
    [TALLYMARK_WHY_OTHER] = "the box told an edge by its number that is not at its time, and so that "
                            "of another marker"};

static const char *reason_text(unsigned reason, int part)
{
    if (reason >= 1 && reason < sizeof reasons / sizeof reasons[0])
        return reasons[reason][part];
    return part ? "This library does not know that reason. Update it." : "unknown reason";
}

const char *tallymark_reason(unsigned reason)
{
    return reason_text(reason, 0);
}

const char *tallymark_why_text(unsigned why)
{
    return why && why < sizeof whys / sizeof whys[0] ? whys[why] : "";
}

static int error_with(tallymark *box, int error, const char *text)
{
    SAY(box, "%s", text);
    return error;
}

static tallymark_marker *marker_place(tallymark *box, uint32_t number)
{
    return &box->markers[(number - 1) % TALLYMARK_KEPT];
}

/* Lists the markers from a number on that are refused or unconfirmed, or only those with a certain
 * `why`; 20 at most. */
static void list_markers(tallymark *box, uint32_t from, uint8_t why)
{
    uint32_t listed = 0, newest = box->totals.sent;
    if (newest > TALLYMARK_KEPT && from < newest - TALLYMARK_KEPT + 1)
        from = newest - TALLYMARK_KEPT + 1;
    for (uint32_t number = from; number <= newest; number++) {
        const tallymark_marker *marker = marker_place(box, number);
        if (marker->outcome < TALLYMARK_REFUSED || (why && marker->why != why))
            continue;
        if (listed++ == 20) {
            ADD(box, " and more");
            return;
        }
        ADD(box, "%snumber %u (code %u, %s)", listed == 1 ? " " : ", ", (unsigned)number,
            marker->code, marker->outcome == TALLYMARK_REFUSED ? reason_text(marker->reason, 0)
                                                               : "unconfirmed");
    }
}

/* Frames, section 2 ---------------------------------------------------------------------------- */

static uint16_t crc(const uint8_t *bytes, size_t length)
{
    uint16_t crc = 0xFFFF;
    for (; length > 0; length--) {
        crc ^= (uint16_t)(*bytes++ << 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 0x8000 ? crc << 1 ^ 0x1DCF : crc << 1);
    }
    return crc;
}

static void put(uint8_t *bytes, uint64_t value, int size)
{
    for (; size > 0; size--, value >>= 8)
        *bytes++ = (uint8_t)value;
}

static uint64_t get(const uint8_t *bytes, int size)
{
    uint64_t value = 0;
    while (size-- > 0)
        value = value << 8 | bytes[size];
    return value;
}

static uint16_t get16(const uint8_t *bytes) { return (uint16_t)get(bytes, 2); }
static uint32_t get32(const uint8_t *bytes) { return (uint32_t)get(bytes, 4); }

/* Makes the frame of a message; returns its length. The message is put behind the place of the
 * first code byte, so that each zero can be replaced by a code byte where it is. */
static size_t make_frame(uint8_t wire[WIRE_MOST], uint8_t type, uint8_t tag, const uint8_t *body,
                         size_t length)
{
    size_t end = 1 + 2 + length, code = 0;
    wire[1] = type;
    wire[2] = tag;
    if (length)
        memcpy(wire + 3, body, length);
    uint16_t check = (uint16_t)~crc(wire + 1, length + 2);
    wire[end++] = (uint8_t)(check >> 8);
    wire[end++] = (uint8_t)check;
    for (size_t place = 1; place <= end; place++) {
        if (place < end && wire[place] != 0)
            continue;
        wire[code] = (uint8_t)(place - code);
        code = place;
    }
    wire[end] = 0;
    return end + 1;
}

/* Unstuffs a frame in place; returns the length of its message, 0 if it is broken. */
static size_t open_frame(uint8_t *bytes, size_t length)
{
    size_t in = 0, out = 0;
    while (in < length) {
        size_t block = bytes[in++] - 1u;
        if (block > length - in)
            return 0;
        memmove(bytes + out, bytes + in, block);
        in += block;
        out += block;
        if (in < length)
            bytes[out++] = 0;
    }
    return out >= 4 && crc(bytes, out) == 0xE394 ? out - 2 : 0;
}

/* Takes one byte of the stream. Returns the length of a message, which then is in `stuffed`; 0 if
 * none has come to its end; -1 for a broken frame. */
static int take_byte(tallymark *box, uint8_t byte)
{
    size_t length = box->stuffed_length;
    if (byte != 0) {
        if (length < sizeof box->stuffed)
            box->stuffed[box->stuffed_length++] = byte;
        return 0;
    }
    box->stuffed_length = 0;
    if (length == 0)
        return 0;
    if (length < sizeof box->stuffed) /* full means too long: one byte more than a frame has */
        length = open_frame(box->stuffed, length);
    else
        length = 0;
    return length ? (int)length : -1;
}

/* Bodies that are read ------------------------------------------------------------------------- */

static void read_identity(const uint8_t *body, tallymark_identity *identity)
{
    *identity = (tallymark_identity){
        .major = body[0], .minor = body[1], .board = body[5], .cause = body[14],
        .newest_tag = body[15], .window = get16(body + 16), .history = body[18],
        .steps = get16(body + 20), .edges = get16(body + 22), .least_width_us = get32(body + 24),
        .longest_width_us = get32(body + 28), .session = get32(body + 48),
        .capabilities = get16(body + 52), .last_notice = body[54], .places = body[55],
        .least_lead_us = get16(body + 56)};
    memcpy(identity->firmware, body + 2, 3);
    memcpy(identity->serial, body + 6, 8);
    memcpy(identity->name, body + 32, 16);
}

static void read_settings(const uint8_t *body, tallymark_settings *settings)
{
    const uint8_t *record = body + 5;
    *settings = (tallymark_settings){
        .origin = body[0], .kept = get32(body + 1), .width_us = get32(record + 16),
        .gap_us = get32(record + 20), .hold_limit_us = get32(record + 24), .byte_baud = get32(record + 28),
        .lines = record[32],
        .idle_high = record[33], .overlap = record[34], .byte_mode = record[35],
        .strobe = record[36], .probes = record[37], .strobe_lead_us = get16(record + 38),
        .strobe_hold_us = get16(record + 40), .light_threshold = get16(record + 42),
        .light_hysteresis = get16(record + 44), .sound_threshold = get16(record + 46),
        .sound_hysteresis = get16(record + 48)};
    memcpy(settings->name, record, 16);
}

static void read_counters(const uint8_t *body, tallymark_counters *counters)
{
    *counters = (tallymark_counters){
        get(body, 8), get32(body + 8), get32(body + 12), get32(body + 16), get32(body + 20),
        get32(body + 24), get32(body + 28), get32(body + 32), get32(body + 36),
        get32(body + 40)};
}

static void read_levels(const uint8_t *body, tallymark_levels *levels)
{
    *levels = (tallymark_levels){get(body, 8), body[8], body[9]};
}

static void read_sequence(const uint8_t *body, tallymark_sequence_info *info)
{
    *info = (tallymark_sequence_info){
        .state = body[0], .steps = get16(body + 1), .repeats = get32(body + 3),
        .played = get32(body + 7), .started_us = get(body + 11, 8), .ended_us = get(body + 19, 8)};
}

/* Reads what `done noted` and `fate` say of a marker beside its time. */
static void read_notes(const uint8_t *body, tallymark_marker *marker)
{
    marker->cut_us = get32(body);
    marker->delay_us = get32(body + 4);
    marker->no_edge = body[8] & NOTE_NO_EDGE;
}

/* Box time and host time ----------------------------------------------------------------------- */

/* A round trip says: the box read its clock at some moment between two times of the computer. So the
 * middle is wrong by at most half the round trip, whatever the link did; two of them a while apart
 * bound the rate in the same way, and all pairs together bound it tightly. Nothing is an average: a
 * slow round trip gives a wide bound, which a narrow one beside it makes irrelevant. A quick one of a
 * second ago is often better than a slow one of just now: of the last ones, beside those that tell of
 * the rate, those are kept than which none is both newer and quicker. */

#define RATE_UNKNOWN 0.01 /* a ceramic resonator is within 0.8 % from -20 to +80 degrees */
#define CRYSTAL_WANDER 10e-6 /* of the rate between two crystals from its mean, in ten minutes */
#define RESONATOR_WANDER 150e-6 /* of that between a ceramic resonator and a crystal */
#define SLEW 500e-6 /* by which a time service may change the rate of some clocks: adjtimex(2) */
#define CLOCK_KEPT_NS (600 * SECOND)
#define FIRST_SPACING_NS (50 * MILLISECOND)

static void reset_clock(tallymark *box)
{
    bool has_crystal = box->identity.board == BOARD_PICO || box->identity.board == BOARD_VIRTUAL;
    box->clock = (struct tallymark_estimate){
        .spacing_ns = FIRST_SPACING_NS, .low = 1 - RATE_UNKNOWN, .high = 1 + RATE_UNKNOWN,
        .wander = has_crystal ? CRYSTAL_WANDER : RESONATOR_WANDER};
#if !defined(_WIN32) && !defined(CLOCK_MONOTONIC_RAW)
    box->clock.wander += SLEW;
#endif
}

/* How far one time is behind another, in nanoseconds; negative if it is before. */
static double after_ns(uint64_t time, uint64_t other)
{
    return (double)(int64_t)(time - other);
}

/* Narrows the range of the rate by the pairs that a sample makes with `count` earlier ones. */
static void narrow_rate(struct tallymark_estimate *clock, uint32_t count,
                        const struct tallymark_sample *later)
{
    for (uint32_t k = 0; k < count; k++) {
        const struct tallymark_sample *earlier = &clock->samples[k];
        double box_ns = 1000 * after_ns(later->box_us, earlier->box_us);
        if (box_ns <= 0)
            continue;
        double low = (after_ns(later->sent_ns, earlier->received_ns) - 1000) / box_ns - clock->wander;
        double high = (after_ns(later->received_ns, earlier->sent_ns) + 1000) / box_ns + clock->wander;
        clock->low = low > clock->low ? low : clock->low;
        clock->high = high < clock->high ? high : clock->high;
    }
}

/* Finds the range of the rate anew, from the samples and a later one. */
static void find_rate(struct tallymark_estimate *clock, const struct tallymark_sample *later)
{
    clock->low = 1 - RATE_UNKNOWN;
    clock->high = 1 + RATE_UNKNOWN;
    for (uint32_t k = 1; k < clock->count; k++)
        narrow_rate(clock, k, &clock->samples[k]);
    narrow_rate(clock, clock->count, later);
}

static void forget_samples(struct tallymark_estimate *clock, uint32_t count)
{
    clock->count -= count;
    memmove(clock->samples, clock->samples + count, clock->count * sizeof clock->samples[0]);
}

static uint64_t round_trip_ns(const struct tallymark_sample *sample)
{
    return sample->received_ns - sample->sent_ns;
}

/* Keeps a round trip among the newest, in place of those before it that were no quicker. */
static void keep_newest(struct tallymark_estimate *clock, const struct tallymark_sample *new)
{
    while (clock->newest_count
           && round_trip_ns(&clock->newest[clock->newest_count - 1]) >= round_trip_ns(new))
        clock->newest_count--;
    if (clock->newest_count == TALLYMARK_CLOCK_NEWEST)
        memmove(clock->newest, clock->newest + 1, --clock->newest_count * sizeof clock->newest[0]);
    clock->newest[clock->newest_count++] = *new;
}

/* Takes a round trip. */
static void add_sample(struct tallymark_estimate *clock, uint64_t sent_ns, uint64_t box_us,
                       uint64_t received_ns)
{
    struct tallymark_sample new = {sent_ns, box_us, received_ns};
    struct tallymark_sample *last = &clock->samples[clock->count - (clock->count > 0)];
    uint32_t old = 0;
    if (clock->count && box_us < last->box_us)
        return; /* an answer that was overtaken; the ones that count are in already */
    keep_newest(clock, &new);
    if (clock->count > 1 && received_ns - last[-1].received_ns < clock->spacing_ns) {
        /* Too near to the last but one to tell more of the rate: keep the narrower one. */
        if (round_trip_ns(&new) <= round_trip_ns(last))
            *last = new;
        return;
    }
    while (old + 1 < clock->count && received_ns - clock->samples[old].received_ns > CLOCK_KEPT_NS)
        old++;
    forget_samples(clock, old);
    if (old)
        find_rate(clock, &new);
    else
        narrow_rate(clock, clock->count, &new);
    while (clock->low > clock->high && clock->count) {
        /* No one rate fits them all: it changed in the meantime. The newer half decides. */
        forget_samples(clock, (clock->count + 1) / 2);
        find_rate(clock, &new);
    }
    clock->samples[clock->count++] = new;
    if (clock->count > TALLYMARK_CLOCK_SAMPLES) {
        uint32_t kept = 1;
        for (uint32_t k = 2; k < clock->count - 1; k += 2)
            clock->samples[kept++] = clock->samples[k];
        clock->samples[kept++] = clock->samples[clock->count - 1];
        clock->count = kept;
        clock->spacing_ns *= 2;
        if (clock->spacing_ns > CLOCK_KEPT_NS / 8)
            clock->spacing_ns = CLOCK_KEPT_NS / 8;
    }
}

/* The sample that bounds an instant best: in box time, or if `of_host`, in host time. Its bound is put
 * into `bound_ns`. */
static struct tallymark_sample best_sample(const struct tallymark_estimate *clock, uint64_t time,
                                           bool of_host, double *bound_ns)
{
    double spread = (clock->high - clock->low) / 2 + clock->wander;
    struct tallymark_sample best = clock->newest[0];
    *bound_ns = -1;
    for (uint32_t k = 0; k < clock->count + clock->newest_count; k++) {
        struct tallymark_sample each =
            k < clock->count ? clock->samples[k] : clock->newest[k - clock->count];
        double trip = (double)round_trip_ns(&each) / 2;
        double away = of_host ? after_ns(time, each.sent_ns) : 1000 * after_ns(time, each.box_us);
        double bound = trip + spread * (away < 0 ? -away : away);
        if (of_host) /* half the round trip more, because the distance was taken from its beginning */
            bound += spread * trip;
        if (*bound_ns < 0 || bound < *bound_ns) {
            *bound_ns = bound;
            best = each;
        }
    }
    return best;
}

static int no_clock(tallymark *box)
{
    return error_with(box, TALLYMARK_ERROR_BAD_VALUE,
                      "The clocks were not compared since the box started. Nothing was sent. Call "
                      "tallymark_sync_clock first.");
}

int tallymark_to_host(tallymark *box, uint64_t box_time_us, tallymark_instant *instant)
{
    const struct tallymark_estimate *clock = &box->clock;
    double bound;
    if (!clock->count)
        return no_clock(box);
    struct tallymark_sample best = best_sample(clock, box_time_us, false, &bound);
    double rate = (clock->low + clock->high) / 2;
    uint64_t middle = best.sent_ns + (best.received_ns - best.sent_ns) / 2;
    double away = rate * 1000 * after_ns(box_time_us, best.box_us);
    *instant = (tallymark_instant){box_time_us, middle + (uint64_t)(int64_t)away, (uint64_t)bound + 1001};
    return 0;
}

int tallymark_to_box(tallymark *box, uint64_t host_ns, tallymark_instant *instant)
{
    const struct tallymark_estimate *clock = &box->clock;
    double bound;
    if (!clock->count)
        return no_clock(box);
    struct tallymark_sample best = best_sample(clock, host_ns, true, &bound);
    double rate = (clock->low + clock->high) / 2, spread = (clock->high - clock->low) / 2 + clock->wander;
    uint64_t middle = best.sent_ns + (best.received_ns - best.sent_ns) / 2;
    double away = after_ns(host_ns, middle) / rate / 1000;
    int64_t box_us = (int64_t)best.box_us + (int64_t)(away + (away < 0 ? -0.5 : 0.5));
    *instant = (tallymark_instant){box_us < 0 ? 0 : (uint64_t)box_us, host_ns,
                                   (uint64_t)((bound + 1000) / (rate - spread)) + 1};
    return 0;
}

/* Tells when the edge of a marker was on the computer's clock. */
static void tell_host_time(tallymark *box, tallymark_marker *marker)
{
    tallymark_instant edge = {0};
    marker->host_bound_ns = UINT32_MAX;
    if (box->clock.count && tallymark_to_host(box, marker->box_time_us, &edge) == 0) {
        marker->host_ns = edge.host_ns;
        marker->host_bound_ns = edge.bound_ns < UINT32_MAX ? (uint32_t)edge.bound_ns : UINT32_MAX;
    }
}

/* Requests on their way, section 3 ------------------------------------------------------------- */

static uint8_t tag_after(uint8_t tag)
{
    return (uint8_t)(tag % 255 + 1);
}

static int tags_between(uint8_t earlier, uint8_t later)
{
    return (later - earlier + 255) % 255;
}

/* How far apart tags may be on their way: some of those that the box remembers are spared for the
 * questions that find out about the oldest. */
static int reach(const tallymark *box)
{
    return box->identity.history - 2 - box->identity.history / 8;
}

/* Whether one more tag leaves the oldest open marker in reach of a question for its fate. */
static bool is_in_reach(const tallymark *box)
{
    return !box->requests_open
        || tags_between(box->oldest_tag, tag_after(box->last_tag)) <= reach(box);
}

/* Whether a request of that length may be sent now. */
static bool fits(const tallymark *box, size_t wire)
{
    return box->is_known && box->in_flight + wire <= box->identity.window && is_in_reach(box);
}

static void end_request(tallymark *box, uint8_t tag)
{
    struct tallymark_request *request = &box->requests[tag];
    box->loads_open -= request->type == SEQUENCE_LOAD;
    box->in_flight -= request->wire;
    box->requests_open--;
    *request = (struct tallymark_request){0};
    while (box->requests_open && !box->requests[box->oldest_tag].type)
        box->oldest_tag = tag_after(box->oldest_tag);
}

static void tell_event(tallymark *box, tallymark_event event)
{
    if (box->happened)
        box->happened(box->happened_user, &event);
}

/* Returns the delay that the box told of. */
static uint32_t tell_end(tallymark *box, tallymark_marker *marker, uint8_t outcome, uint8_t why)
{
    uint32_t told_us = marker->delay_us;
    marker->outcome = outcome;
    marker->why = why;
    box->totals.open--;
    box->totals.done += outcome == TALLYMARK_DONE;
    box->totals.refused += outcome == TALLYMARK_REFUSED;
    box->totals.unconfirmed += outcome == TALLYMARK_UNCONFIRMED;
    if (outcome == TALLYMARK_DONE)
        tell_host_time(box, marker);
    if (outcome == TALLYMARK_DONE && marker->at_us && marker->box_time_us > marker->at_us)
        marker->delay_us = (uint32_t)(marker->box_time_us - marker->at_us); /* the box knows of none where
                                                        it came after its time, and went out at once */
    return told_us;
}

static void report_end(tallymark *box, const tallymark_marker *marker, uint32_t told_us)
{
    if (box->ended)
        box->ended(box->user, marker);
    tell_event(box, (tallymark_event){.kind = TALLYMARK_EVENT_ENDED, .marker = marker, .delay_us = told_us});
}

static void end_marker(tallymark *box, uint8_t tag, uint8_t outcome, uint8_t why)
{
    tallymark_marker *marker = marker_place(box, box->requests[tag].number);
    uint32_t told_us = tell_end(box, marker, outcome, why);
    box->ahead_asked -= marker->at_us != 0;
    end_request(box, tag);
    report_end(box, marker, told_us);
}

/* Markers that the box has accepted for a later time, section 3.4. They hold neither tag nor window. -- */

/* The end of an accepted marker is known; `end` has what is told of it. */
static void end_waiting(tallymark *box, uint32_t place, uint8_t outcome, uint8_t why)
{
    tallymark_marker marker = box->waiting[place].marker;
    box->waiting[place] = box->waiting[--box->waiting_count];
    uint32_t told_us = tell_end(box, &marker, outcome, why);
    box->taken_back += outcome == TALLYMARK_REFUSED;
    if (marker_place(box, marker.number)->number == marker.number)
        *marker_place(box, marker.number) = marker;
    report_end(box, &marker, told_us);
}

/* Ends the accepted markers that were sent before `before_ns`: the box that had them is gone. */
static void end_all_waiting(tallymark *box, uint8_t why, uint64_t before_ns)
{
    for (uint32_t place = box->waiting_count; place-- > 0;) {
        if (box->waiting[place].marker.sent_ns < before_ns)
            end_waiting(box, place, TALLYMARK_UNCONFIRMED, why);
    }
}

static struct tallymark_waiting *find_waiting(tallymark *box, uint32_t ahead_number)
{
    for (uint32_t place = 0; place < box->waiting_count; place++) {
        if (box->waiting[place].marker.ahead_number == ahead_number)
            return &box->waiting[place];
    }
    return NULL;
}

/* When the edge of a marker that goes out at that box time has to be told. */
static uint64_t told_by_ns(tallymark *box, uint64_t box_time_us)
{
    tallymark_instant edge = {0};
    uint64_t now = tallymark_now_ns();
    if (!box->clock.count || tallymark_to_host(box, box_time_us, &edge) < 0)
        return now + OVERDUE;
    edge.host_ns += edge.bound_ns;
    return (edge.host_ns > now ? edge.host_ns : now) + OVERDUE;
}

/* Whether the box can still be asked about each accepted marker if it accepts one more, section 6.1: it
 * gives away the place of the lowest number that does not wait. If not, the box is asked for that one's
 * end soon. */
static bool leaves_a_place(tallymark *box)
{
    uint32_t number = box->newest_ahead + 1 + box->ahead_asked, waits = 0;
    if (!box->waiting_count)
        return true;
    uint64_t soon = tallymark_now_ns() + PATIENCE;
    tallymark_instant there = {0};
    struct tallymark_waiting *lowest = NULL;
    if (box->clock.count)
        tallymark_to_box(box, soon, &there);
    uint64_t past_us = there.box_time_us + there.bound_ns / 1000 + 1; /* later ones surely wait still */
    for (uint32_t place = 0; place < box->waiting_count; place++) {
        struct tallymark_waiting *each = &box->waiting[place];
        if ((!box->clock.count || each->marker.at_us <= past_us)
            && (!lowest || each->marker.ahead_number < lowest->marker.ahead_number))
            lowest = each;
    }
    if (!lowest)
        return true;
    for (uint32_t place = 0; place < box->waiting_count; place++)
        waits += box->waiting[place].marker.ahead_number < lowest->marker.ahead_number;
    if (number - lowest->marker.ahead_number + waits < box->identity.places)
        return true;
    if (lowest->due_ns > soon)
        lowest->due_ns = soon;
    return false;
}

/* Notices are missing: the ends of accepted markers may be among them. */
static void suspect_waiting(tallymark *box)
{
    for (uint32_t place = 0; place < box->waiting_count; place++)
        box->waiting[place].due_ns = 0;
}

static void end_query(tallymark *box, int result)
{
    end_request(box, box->query.tag);
    box->query.tag = 0;
    box->query.result = result;
}

static void end_aside(tallymark *box)
{
    end_request(box, box->aside_tag);
    box->aside_tag = 0;
}

static void tell_missing(tallymark *box)
{
    uint32_t count = box->notices_missing;
    box->totals.notices_lost += count;
    box->notices_missing = 0;
    if (count)
        tell_event(box, (tallymark_event){.kind = TALLYMARK_EVENT_NOTICES_LOST, .count = count});
}

/* Ends everything that is on its way: the box that had it is gone. */
static void end_all(tallymark *box, uint8_t why, int result)
{
    if (box->loads_open)
        box->load_error = result;
    tell_missing(box);
    while (box->requests_open) {
        uint8_t tag = box->oldest_tag;
        if (box->requests[tag].number)
            end_marker(box, tag, TALLYMARK_UNCONFIRMED, why);
        else if (tag == box->query.tag)
            end_query(box, result);
        else if (tag == box->aside_tag)
            end_aside(box);
        else
            end_request(box, tag);
    }
    end_all_waiting(box, why, NEVER);
}

/* The connection is at its end. */
static int end_connection(tallymark *box, uint8_t why, const char *how, const char *advice)
{
    uint32_t unconfirmed = box->totals.open;
    box->state = BROKEN;
    close_port(box);
    end_all(box, why, TALLYMARK_ERROR_GONE);
    SAY(box, "The connection to %s %s.", box->where, how);
    if (unconfirmed) {
        ADD(box, " %u unconfirmed:", (unsigned)unconfirmed);
        list_markers(box, 1, why);
        ADD(box, ". They may or may not be in the recording, and nothing was sent again: look for "
                 "them there.");
    } else {
        ADD(box, " No marker was open.");
    }
    ADD(box, " No more markers go out. %s, then open the box again.", advice);
    return TALLYMARK_ERROR_GONE;
}

static int fail(tallymark *box, const char *how)
{
    return end_connection(box, TALLYMARK_WHY_GONE, how, "Check cable and power");
}

/* How long a marker may wait for its gap; the longest there is, while the settings are not known. */
static uint64_t gap_ns(const tallymark *box)
{
    return box->settings.width_us ? box->settings.gap_us * 1000ull : SECOND;
}

/* Sends a request; `number` is that of a marker, or 0. */
static int send_request(tallymark *box, uint8_t type, const uint8_t *body, size_t length,
                        uint32_t number)
{
    uint8_t wire[WIRE_MOST], tag = box->last_tag = tag_after(box->last_tag);
    size_t size = make_frame(wire, type, tag, body, length);
    uint64_t now = tallymark_now_ns(), gap = number ? gap_ns(box) : 0;
    box->requests[tag] = (struct tallymark_request){
        .due_ns = now + OVERDUE + gap, .sent_ns = now, .after_us = box->newest_us, .number = number,
        .type = type, .wire = (uint8_t)size};
    if (!box->requests_open++)
        box->oldest_tag = tag;
    if (box->unanswered < 255)
        box->unanswered++;
    box->in_flight += (uint32_t)size;
    if (number) {
        tallymark_marker *marker = marker_place(box, number);
        marker->tag = tag;
        marker->sent_ns = now;
        tell_event(box, (tallymark_event){.kind = TALLYMARK_EVENT_SENT, .marker = marker});
    }
    return write_port(box, wire, size) ? tag : fail(box, "was lost: it takes no more bytes");
}

/* What comes in -------------------------------------------------------------------------------- */

/* The session is to be asked for, to see whether the box has started again unheard. */
static void raise_doubt(tallymark *box)
{
    box->doubt = 1;
    box->doubt_tries = 0;
}

static void begin_notices(tallymark *box, uint8_t newest, int64_t before)
{
    box->newest_notice = newest;
    box->notices_missing = box->notices_counted = 0;
    box->notices_before = before;
}

static void miss_notices(tallymark *box, uint32_t count)
{
    box->notices_counted += count;
    box->notices_missing += count;
    if (count) {
        raise_doubt(box);
        suspect_waiting(box);
    }
}

/* Follows the numbers of the notices, section 3.1. False for one that came before. */
static bool count_notice(tallymark *box, uint8_t number)
{
    uint8_t newest = box->newest_notice;
    if (number == newest || number == 0)
        return false;
    box->newest_notice = number;
    box->notices_counted++;
    if (newest)
        miss_notices(box, (uint32_t)tags_between(newest, number) - 1);
    return true;
}

/* The box's own count of its notices shows losses that the numbers, which go round, do not. */
static void compare_notices(tallymark *box, uint32_t count)
{
    if (box->notices_before < 0)
        box->notices_before = (int64_t)count - box->notices_counted;
    int64_t missing = count - box->notices_before - box->notices_counted;
    if (missing <= 0)
        return;
    miss_notices(box, (uint32_t)missing);
    if (box->newest_notice)
        box->newest_notice = (uint8_t)((box->newest_notice - 1 + missing) % 255 + 1);
}

/* A start has put the kept settings in force. What is on its way may have another width than was said. */
static void forget_settings(tallymark *box)
{
    for (int tag = 1; tag < 256; tag++) {
        const struct tallymark_request *request = &box->requests[tag];
        tallymark_marker *marker = marker_place(box, request->number);
        if (request->number && request->type != PULSE_FOR && marker->width_us == box->settings.width_us)
            marker->width_us = 0;
    }
    box->settings = (tallymark_settings){0};
}

/* The box has started again unheard, before it saw the request with that tag (0: before nobody
 * knows which): it knows nothing of the markers before that one. */
static void take_lost_start(tallymark *box, uint8_t seen)
{
    bool is_new = !box->begins_again;
    uint8_t end = seen ? seen : tag_after(box->last_tag);
    box->totals.starts += is_new;
    box->begins_again = 1;
    box->newest_us = 0;
    box->newest_ahead = 0;
    for (int tag = 1; tag < 256; tag++)
        box->requests[tag].after_us = 0;
    tell_missing(box); /* of the time before */
    begin_notices(box, 1, 1); /* STARTED, which did not come */
    reset_clock(box);
    forget_settings(box);
    end_all_waiting(box, TALLYMARK_WHY_RESTARTED, seen ? box->requests[seen].sent_ns : NEVER);
    for (uint8_t tag = box->oldest_tag; box->requests_open && tag != end; tag = tag_after(tag)) {
        if (box->requests[tag].number)
            end_marker(box, tag, TALLYMARK_UNCONFIRMED, TALLYMARK_WHY_RESTARTED);
    }
    if (is_new)
        tell_event(box, (tallymark_event){.kind = TALLYMARK_EVENT_STARTED, .cause = CAUSE_UNKNOWN});
}

/* Takes the box time of an answer. One before a time that was known when its request was sent shows
 * a start. */
static void take_time(tallymark *box, uint8_t tag, uint64_t time_us)
{
    if (time_us < box->requests[tag].after_us)
        take_lost_start(box, tag);
    if (box->requests[tag].type == SEQUENCE_START) /* its first edge may be still to come */
        return;
    box->newest_us = time_us;
    box->newest_ns = box->heard_ns;
    add_sample(&box->clock, box->requests[tag].sent_ns, time_us, box->heard_ns);
}

/* Another program has begun a session: it has the box now. */
static void give_up(tallymark *box)
{
    end_connection(box, TALLYMARK_WHY_TAKEN,
                   "was ended, because another program has begun to use the box over it",
                   "Close the other program");
}

static bool is_refusal(uint8_t request, uint8_t type, const uint8_t *body, size_t length)
{
    return type == NOT_DONE && length >= NOT_DONE_SIZE && body[0] == request;
}

/* The box has accepted a marker for a later time: its request is answered. */
static void accept_marker(tallymark *box, uint8_t tag, uint32_t ahead_number)
{
    tallymark_marker *marker = marker_place(box, box->requests[tag].number);
    box->ahead_asked--;
    marker->ahead_number = ahead_number;
    struct tallymark_waiting *twin = find_waiting(box, ahead_number);
    if (twin) { /* numbers began anew: the box has started again, unheard */
        end_all_waiting(box, TALLYMARK_WHY_RESTARTED, box->requests[tag].sent_ns);
        box->newest_ahead = 0;
        raise_doubt(box);
    }
    if (ahead_number > box->newest_ahead)
        box->newest_ahead = ahead_number;
    box->waiting[box->waiting_count++] = (struct tallymark_waiting){
        .due_ns = told_by_ns(box, marker->at_us), .after_us = box->requests[tag].after_us,
        .marker = *marker};
    end_request(box, tag);
    tell_event(box, (tallymark_event){.kind = TALLYMARK_EVENT_ACCEPTED, .marker = marker});
}

/* What the box tells of the end of an accepted marker: `notes` begins with `lasted`. */
static void end_told(tallymark *box, struct tallymark_waiting *waiting, uint64_t time_us, uint8_t reason,
                     const uint8_t *notes)
{
    uint32_t place = (uint32_t)(waiting - box->waiting);
    uint64_t due_us = waiting->marker.at_us + get32(notes + 4); /* later by its delay */
    if (!reason && (uint32_t)time_us != (uint32_t)due_us) { /* as after a start that nobody saw */
        end_waiting(box, place, TALLYMARK_UNCONFIRMED, TALLYMARK_WHY_OTHER);
        raise_doubt(box);
        return;
    }
    waiting->marker.box_time_us = time_us;
    waiting->marker.reason = reason;
    read_notes(notes, &waiting->marker);
    end_waiting(box, place, reason ? TALLYMARK_REFUSED : TALLYMARK_DONE, 0);
}

static void take_edge(tallymark *box, const uint8_t *body)
{
    struct tallymark_waiting *waiting = find_waiting(box, get32(body));
    if (waiting) /* not one of an earlier program, or one whose end was known before */
        end_told(box, waiting, get(body + 4, 8), body[21], body + 12);
}

/* The fate of an accepted marker whose end was not told. */
static bool take_ahead_fate(tallymark *box, uint8_t type, const uint8_t *body, size_t length)
{
    uint32_t number = box->aside_ahead;
    struct tallymark_waiting *waiting = find_waiting(box, number);
    if (type != FATE_ANSWER || length < FATE_SIZE || body[0] != 0 || get32(body + 21) != number)
        return false;
    end_aside(box);
    box->ahead_tries = 0;
    if (!waiting) /* its end was told meanwhile */
        return true;
    uint8_t outcome = body[1];
    uint64_t time_us = get(body + 4, 8);
    bool is_known = body[2] == waiting->marker.code && time_us >= waiting->after_us;
    waiting->marker.by_fate = 1;
    if (is_known && (outcome == 1 || outcome == 3)) {
        end_told(box, waiting, time_us, body[3], body + 12);
    } else if (is_known && outcome == 4) {
        waiting->marker.by_fate = 0;
        waiting->due_ns = told_by_ns(box, time_us);
    } else { /* forgotten, or the box has started again */
        end_waiting(box, (uint32_t)(waiting - box->waiting), TALLYMARK_UNCONFIRMED,
                    TALLYMARK_WHY_UNKNOWN);
        raise_doubt(box);
    }
    return true;
}

static bool take_marker_answer(tallymark *box, uint8_t tag, uint8_t type, const uint8_t *body,
                               size_t length)
{
    struct tallymark_request *request = &box->requests[tag];
    tallymark_marker *marker = marker_place(box, request->number);
    if ((type == DONE && length >= DONE_SIZE) || (type == DONE_NOTED && length >= DONE_NOTED_SIZE)) {
        marker->box_time_us = get(body, 8);
        if (type == DONE_NOTED)
            read_notes(body + 8, marker);
        take_time(box, tag, marker->box_time_us);
        end_marker(box, tag, TALLYMARK_DONE, 0);
        return true;
    }
    if (type == ACCEPTED && length >= ACCEPTED_SIZE && marker->at_us) {
        accept_marker(box, tag, get32(body));
        return true;
    }
    if (!is_refusal(request->type, type, body, length))
        return false;
    if (body[1] == REASON_TAG_REPEATED) { /* an earlier copy of this very request may have gone out */
        if (request->state == SENT)
            request->due_ns = 0;
        return true;
    }
    marker->reason = body[1];
    marker->detail = get32(body + 2);
    marker->has_detail = 1;
    if (marker->reason == REASON_CANCELLED)
        marker->cut_us = marker->detail;
    end_marker(box, tag, TALLYMARK_REFUSED, 0);
    return true;
}

/* The fate of a marker whose answer is missing. */
static bool take_fate(tallymark *box, uint8_t type, const uint8_t *body, size_t length)
{
    uint8_t tag = box->aside_of;
    struct tallymark_request *request = &box->requests[tag];
    if (type != FATE_ANSWER || length < FATE_SIZE || body[0] != tag)
        return false;
    end_aside(box);
    if (!request->number) /* its own answer came meanwhile */
        return true;
    tallymark_marker *marker = marker_place(box, request->number);
    uint8_t outcome = body[1];
    uint64_t time_us = get(body + 4, 8);
    bool is_known = outcome >= 1 && outcome <= 3 && body[2] == marker->code;
    if (is_known && outcome == 2) { /* it waits for its gap: the answer is still to come */
        request->state = SENT;
        request->waits = 1;
        request->tries = 0;
        request->due_ns = tallymark_now_ns() + OVERDUE + gap_ns(box);
    } else if (outcome == 4 && body[2] == marker->code && marker->at_us) {
        marker->by_fate = 1;
        accept_marker(box, tag, get32(body + 21));
        box->waiting[box->waiting_count - 1].due_ns = 0; /* its end may have been told already */
    } else if (is_known && time_us >= request->after_us) {
        marker->by_fate = 1;
        marker->box_time_us = time_us;
        marker->reason = body[3];
        read_notes(body + 12, marker);
        end_marker(box, tag, outcome == 1 ? TALLYMARK_DONE : TALLYMARK_REFUSED, 0);
    } else { /* never arrived, or the box has started again */
        request->state = DOUBTED;
        request->due_ns = NEVER;
        raise_doubt(box);
    }
    return true;
}

/* The box is known to have the session still, or (`why` silent) doesn't answer that question. */
static void settle_doubts(tallymark *box, uint8_t why)
{
    for (int tag = 1; tag < 256; tag++) {
        if (box->requests[tag].number && box->requests[tag].state == DOUBTED)
            end_marker(box, (uint8_t)tag, TALLYMARK_UNCONFIRMED, why);
    }
    if (!box->doubt) /* or it came up while the question was on its way */
        tell_missing(box);
}

/* Which session is in force, section 3.3. */
static bool take_session(tallymark *box, uint8_t type, const uint8_t *body, size_t length)
{
    uint32_t session = 0; /* also of a box that speaks another version now */
    if (type == IDENTITY && length >= IDENTITY_SIZE && body[0] == MAJOR)
        session = get32(body + 48);
    else if (!(type == IDENTITY && length >= 2 && body[0] != MAJOR)
             && !is_refusal(IDENTIFY, type, body, length))
        return false;
    if (session == 0)
        take_lost_start(box, box->aside_tag);
    end_aside(box);
    if (session == box->session)
        settle_doubts(box, TALLYMARK_WHY_UNKNOWN);
    else if (session != 0)
        give_up(box);
    return true;
}

static bool take_query_answer(tallymark *box, uint8_t type, const uint8_t *body, size_t length)
{
    int result = 0;
    if (is_refusal(box->query.type, type, body, length))
        result = TALLYMARK_ERROR_REFUSED;
    else if (type != box->query.answer)
        return false;
    else if (length < box->query.answer_length
             && (type != IDENTITY || length < 2 || body[0] == MAJOR))
        return false; /* an identity of another major version may have another length */
    memcpy(box->query.body, body, length);
    box->query.length = (uint8_t)length;
    box->query.received_ns = tallymark_now_ns();
    if (!result && (type == DONE || type == COUNTERS_ANSWER || type == LEVELS_ANSWER))
        take_time(box, box->query.tag, get(body, 8));
    if (!result && type == COUNTERS_ANSWER)
        compare_notices(box, get32(body + 40));
    end_query(box, result);
    return true;
}

static bool take_load_answer(tallymark *box, uint8_t tag, uint8_t type, const uint8_t *body,
                             size_t length)
{
    if (is_refusal(SEQUENCE_LOAD, type, body, length)) {
        if (!box->load_error)
            SAY(box, "The box refused a step of the sequence: %s. %s", reason_text(body[1], 0),
                reason_text(body[1], 1));
        box->load_error = TALLYMARK_ERROR_REFUSED;
    } else if (type == DONE && length >= DONE_SIZE) {
        take_time(box, tag, get(body, 8));
    } else {
        return false;
    }
    end_request(box, tag);
    return true;
}

static void take_start(tallymark *box, uint8_t number, uint8_t cause)
{
    tell_missing(box); /* of the time before */
    begin_notices(box, number, 1);
    box->starts_heard++;
    if (!box->is_known) /* it is the start of opening */
        return;
    box->totals.starts++;
    box->is_known = 0;
    box->newest_us = 0;
    box->newest_ahead = 0;
    reset_clock(box);
    forget_settings(box);
    end_all(box, TALLYMARK_WHY_RESTARTED, TALLYMARK_ERROR_RESTARTED);
    tell_event(box, (tallymark_event){.kind = TALLYMARK_EVENT_STARTED, .cause = cause});
}

static bool take_notice(tallymark *box, uint8_t type, uint8_t number, const uint8_t *body, size_t length)
{
    static const uint8_t lengths[] = {STARTED_SIZE, SEQUENCE_ENDED_SIZE, EDGES_SIZE,
                                      BYTE_MARKER_SIZE, HOLD_ENDED_SIZE, MARKER_EDGE_SIZE};
    bool is_long_enough = type > MARKER_EDGE || length >= lengths[type - STARTED];
    if (type == STARTED && is_long_enough)
        take_start(box, number, body[2]);
    else if (!count_notice(box, number) || !is_long_enough)
        return false;
    box->sequences_ended += type == SEQUENCE_ENDED;
    box->totals.byte_markers += type == BYTE_MARKER;
    box->totals.holds_ended += type == HOLD_ENDED;
    if (type == MARKER_EDGE)
        take_edge(box, body);
    else if (type == BYTE_MARKER)
        tell_event(box, (tallymark_event){
            .kind = TALLYMARK_EVENT_BYTE, .box_time_us = get(body, 8), .code = body[8],
            .reason = body[9], .cut_us = get32(body + 10), .delay_us = get32(body + 14),
            .no_edge = body[18] & NOTE_NO_EDGE});
    else if (type == HOLD_ENDED)
        tell_event(box, (tallymark_event){
            .kind = TALLYMARK_EVENT_HOLD_ENDED, .box_time_us = get(body, 8), .code = body[8]});
    return true;
}

/* The box answers in order, except for a marker that waits for its gap. So after an answer, those
 * to earlier requests are missing, and the fates of these markers are asked for. */
static void suspect_earlier(tallymark *box, uint8_t answered)
{
    uint8_t tag = box->oldest_tag;
    if (!box->requests_open || tags_between(tag, answered) > 127)
        return;
    for (; tag != answered; tag = tag_after(tag)) {
        struct tallymark_request *request = &box->requests[tag];
        if (request->number && request->state == SENT && !request->waits)
            request->due_ns = 0;
    }
}

/* The type of a message without its session bit, section 3.3. A start ends the session: what comes
 * without that bit, after a message with it, is of a box that has started again. */
static uint8_t base_type(tallymark *box, uint8_t marked, uint8_t tag)
{
    uint8_t type = marked >= FIRST_ANSWER ? marked & (uint8_t)~IN_SESSION : marked;
    if (type != marked) {
        box->in_session = 1;
    } else if (box->in_session && type != IDENTITY && type != STARTED) { /* these never have it */
        box->in_session = 0;
        if (!box->is_known) { /* it is being opened: once more */
            box->starts_heard++;
        } else if (type < STARTED) {
            take_lost_start(box, box->requests[tag].type ? tag : 0);
        } else {
            take_lost_start(box, 0);
            if (tag == 1) { /* the number of STARTED again: all in between are missing */
                miss_notices(box, 254);
                box->newest_notice = 255;
            }
        }
    }
    if (type == STARTED)
        box->in_session = 0;
    return type;
}

static void take_message(tallymark *box, const uint8_t *message, size_t length)
{
    uint8_t type = base_type(box, message[0], message[1]), tag = message[1];
    const uint8_t *body = message + 2;
    bool taken = false;
    length -= 2;
    box->heard_ns = tallymark_now_ns();
    if (type >= STARTED) {
        box->totals.strays += !take_notice(box, type, tag, body, length);
        return;
    }
    if (!box->requests[tag].type)
        taken = false;
    else if (box->requests[tag].number)
        taken = take_marker_answer(box, tag, type, body, length);
    else if (tag == box->query.tag)
        taken = take_query_answer(box, type, body, length);
    else if (tag == box->aside_tag)
        taken = box->aside_of      ? take_fate(box, type, body, length)
                : box->aside_ahead ? take_ahead_fate(box, type, body, length)
                                   : take_session(box, type, body, length);
    else
        taken = take_load_answer(box, tag, type, body, length);
    box->totals.strays += !taken;
    if (taken) {
        int later = tags_between(tag, box->last_tag);
        /* After too many, or by an identity, the box's newest tag may stay that of long ago. */
        if (later < box->unanswered && box->unanswered < SILENT_MOST && type != IDENTITY)
            box->unanswered = (uint8_t)later;
        suspect_earlier(box, tag);
    }
}

/* Takes in all that came, after waiting up to `wait_ms` for the first byte. */
static int take_in(tallymark *box, uint32_t wait_ms)
{
    uint8_t bytes[512];
    int count;
    for (int rounds = 0; rounds < 256; rounds++) { /* something that never stops is no box */
        if ((count = read_port(box, bytes, sizeof bytes, rounds ? 0 : wait_ms)) < 0)
            return fail(box, "was lost: it was unplugged, or the program behind it ended");
        box->bytes_in += (uint32_t)count;
        for (int place = 0; place < count; place++) {
            int length = take_byte(box, bytes[place]);
            if (length > 0)
                take_message(box, box->stuffed, (size_t)length);
            box->totals.frames_broken += length < 0;
            if (box->state != OPEN)
                return TALLYMARK_ERROR_GONE;
        }
        if (count < (int)sizeof bytes)
            break;
    }
    return 0;
}

/* Missing answers, section 3.4 ----------------------------------------------------------------- */

/* Asks a question that nobody waits for: the fate of the marker with the tag `of`, or of the accepted
 * one with that number, or with 0, which session is in force. False if there is no room for it now. */
static bool ask_aside(tallymark *box, uint8_t of, uint32_t ahead)
{
    uint8_t body[4] = {MAJOR, MINOR};
    size_t length = of ? 1 : ahead ? 4 : 2;
    uint8_t type = of ? FATE : ahead ? FATE_OF_NUMBER : IDENTIFY;
    if (of)
        body[0] = of;
    else if (ahead)
        put(body, ahead, 4);
    if (box->query.tag || box->aside_tag
        || box->in_flight + length + WIRE_OVER_BODY > box->identity.window)
        return false;
    box->aside_of = of;
    box->aside_ahead = ahead;
    int sent = send_request(box, type, body, length, 0);
    box->aside_tag = (uint8_t)(sent > 0 ? sent : 0);
    return true;
}

static void ask_fate(tallymark *box, uint8_t tag)
{
    struct tallymark_request *request = &box->requests[tag];
    box->in_flight -= request->wire;
    request->wire = 0;
    request->state = ASKED;
    if (tags_between(tag, tag_after(box->last_tag)) > box->identity.history - 2) {
        end_marker(box, tag, TALLYMARK_UNCONFIRMED, TALLYMARK_WHY_FORGOTTEN);
    } else if (ask_aside(box, tag, 0) && box->state == OPEN) {
        request->tries++;
        request->due_ns = NEVER; /* the question has a time of its own */
    }
}

/* Asks for the fate of an accepted marker whose end should have been told. */
static void look_after_waiting(tallymark *box, uint64_t now)
{
    for (uint32_t place = 0; place < box->waiting_count && box->is_known; place++) {
        if (box->waiting[place].due_ns <= now) {
            ask_aside(box, 0, box->waiting[place].marker.ahead_number);
            return;
        }
    }
}

static void ask_session(tallymark *box)
{
    if (box->doubt && box->is_known && box->state == OPEN && ask_aside(box, 0, 0))
        box->doubt = 0;
}

/* No answer to a question of the library's own: it is asked once more. A box that has said nothing
 * at all for a second will not be asked about each marker. */
static void aside_overdue(tallymark *box, uint64_t now)
{
    uint8_t tag = box->aside_of;
    bool silent = now - box->heard_ns > SECOND;
    uint32_t ahead = tag ? 0 : box->aside_ahead;
    end_aside(box);
    if (ahead) {
        if (++box->ahead_tries < 2)
            return; /* it is overdue still, and asked for again */
        box->ahead_tries = 0;
        for (uint32_t place = box->waiting_count; place-- > 0;) {
            if (box->waiting[place].due_ns <= now)
                end_waiting(box, place, TALLYMARK_UNCONFIRMED, TALLYMARK_WHY_SILENT);
        }
        return;
    }
    if (!tag) {
        if (++box->doubt_tries < 2)
            box->doubt = 1;
        else
            settle_doubts(box, TALLYMARK_WHY_SILENT);
        return;
    }
    if (!box->requests[tag].number)
        return;
    box->requests[tag].due_ns = now;
    if (box->requests[tag].tries < 2)
        return;
    uint8_t last = box->last_tag;
    end_marker(box, tag, TALLYMARK_UNCONFIRMED, TALLYMARK_WHY_SILENT);
    for (; silent && box->requests_open && tag != last; tag = tag_after(tag)) {
        if (box->requests[tag].number && box->requests[tag].due_ns <= now)
            end_marker(box, tag, TALLYMARK_UNCONFIRMED, TALLYMARK_WHY_SILENT);
    }
}

/* Looks after all answers that are missing. Whatever came has been taken in before. */
static void look_after(tallymark *box)
{
    ask_session(box);
    uint64_t now = tallymark_now_ns();
    uint8_t last = box->last_tag;
    for (uint8_t tag = box->oldest_tag; box->requests_open && box->state == OPEN;
         tag = tag_after(tag)) {
        if (!box->requests[tag].type || box->requests[tag].due_ns > now) {
            /* not on its way, or in time */
        } else if (box->requests[tag].number) {
            ask_fate(box, tag);
        } else if (tag == box->aside_tag) {
            aside_overdue(box, now);
        } else if (tag == box->query.tag) {
            end_query(box, TALLYMARK_ERROR_NO_ANSWER);
        } else {
            box->load_error = TALLYMARK_ERROR_NO_ANSWER;
            end_request(box, tag);
        }
        if (tag == last)
            break;
    }
    if (box->state == OPEN)
        look_after_waiting(box, now);
}

/* Waits for something to come, until `until_ns` or until an answer is overdue, and sees to both. */
static int step(tallymark *box, uint64_t until_ns)
{
    ask_session(box);
    uint64_t now = tallymark_now_ns();
    uint8_t tag = box->oldest_tag;
    bool is_asking = box->query.tag || box->aside_tag; /* fates have to wait for that */
    for (uint32_t left = box->requests_open; left > 0; tag = tag_after(tag)) {
        const struct tallymark_request *request = &box->requests[tag];
        left -= request->type != 0;
        if (request->type && request->due_ns < until_ns
            && !(is_asking && request->number && request->due_ns <= now))
            until_ns = request->due_ns;
    }
    for (uint32_t place = 0; place < box->waiting_count && !is_asking; place++) {
        if (box->waiting[place].due_ns < until_ns)
            until_ns = box->waiting[place].due_ns;
    }
    uint64_t wait_ms = until_ns > now ? (until_ns - now + MILLISECOND - 1) / MILLISECOND : 0;
    int result = box->state == OPEN ? take_in(box, (uint32_t)(wait_ms < 1000 ? wait_ms : 1000)) : 0;
    if (result == 0 && box->state == OPEN)
        look_after(box);
    return box->state == OPEN ? result : TALLYMARK_ERROR_GONE;
}

/* Questions ------------------------------------------------------------------------------------ */

static int question_error(tallymark *box, int result)
{
    unsigned reason = box->query.body[1];
    if (result == TALLYMARK_ERROR_REFUSED)
        SAY(box, "The box refused a request: %s. %s", reason_text(reason, 0),
            reason_text(reason, 1));
    else if (result == TALLYMARK_ERROR_NO_ANSWER)
        SAY(box, "The box's answer to a question did not come in time. No marker is "
                 "affected by that. Ask again; if it happens more often, change the cable or the "
                 "USB socket.");
    else if (result == TALLYMARK_ERROR_RESTARTED)
        SAY(box, "The box started again while it was asked. Its lines went to idle; markers that "
                 "were open then are unconfirmed. Check its power and cable, then go on.");
    return result;
}

/* Asks one question and waits for the answer, which is then in `query.body`. */
static int exchange(tallymark *box, uint8_t type, const uint8_t *body, size_t length,
                    uint8_t answer, uint8_t answer_length)
{
    box->query.type = type;
    box->query.answer = answer;
    box->query.answer_length = answer_length;
    int sent = send_request(box, type, body, length, 0);
    if (sent < 0)
        return sent;
    box->query.tag = (uint8_t)sent;
    while (box->query.tag) {
        int result = step(box, NEVER);
        if (result < 0)
            return result;
    }
    return question_error(box, box->query.result);
}

static int version_error(tallymark *box, unsigned major)
{
    SAY(box, "The box at %s speaks protocol version %u, this library version %d. No marker was "
             "sent. Update the %s.", box->where, major, MAJOR,
        major < MAJOR ? "box's firmware" : "library");
    return TALLYMARK_ERROR_VERSION;
}

/* Sends nothing until the box says that it has started. Opening may have reset it, and an old boot
 * loader begins its wait of a second anew with each byte that comes in. */
static int stay_quiet(tallymark *box, uint32_t starts)
{
    uint64_t until = tallymark_now_ns() + QUIET;
    while (box->starts_heard == starts && tallymark_now_ns() < until) {
        int result = step(box, until);
        if (result < 0)
            return result;
    }
    return 0;
}

/* Asks who is there, and nothing else, until it is answered: section 3.6. */
static int identify(tallymark *box)
{
    static const uint8_t version[] = {MAJOR, MINOR};
    uint64_t until = tallymark_now_ns() + OPENING;
    box->bytes_in = 0;
    for (int result = TALLYMARK_ERROR_NO_ANSWER; result != 0;) {
        if (tallymark_now_ns() >= until) {
            SAY(box, "Nothing at %s answers as a marker box does (%u bytes came in 6 s). No marker "
                     "was sent. Choose another port, or check that the board is powered and has "
                     "the Tallymark firmware.", box->where, (unsigned)box->bytes_in);
            return TALLYMARK_ERROR_NOT_A_BOX;
        }
        uint32_t starts = box->starts_heard;
        result = exchange(box, IDENTIFY, version, sizeof version, IDENTITY, IDENTITY_SIZE);
        if (result == TALLYMARK_ERROR_NO_ANSWER && stay_quiet(box, starts) < 0)
            return TALLYMARK_ERROR_GONE;
        if (result == TALLYMARK_ERROR_GONE)
            return result;
        if (result == TALLYMARK_ERROR_REFUSED && box->query.body[1] == REASON_VERSION)
            return version_error(box, (unsigned)get32(box->query.body + 2));
    }
    if (box->query.body[0] != MAJOR)
        return version_error(box, box->query.body[0]);
    read_identity(box->query.body, &box->identity);
    if (box->identity.window < WIRE_MOST || box->identity.history < 4)
        return error_with(box, TALLYMARK_ERROR_NOT_A_BOX,
                          "The box says that it has no room for requests. No marker was sent. "
                          "Update its firmware.");
    box->last_tag = box->identity.newest_tag;
    box->in_session = 0; /* until its answer */
    tell_missing(box);
    begin_notices(box, box->identity.last_notice, -1);
    return 0;
}

/* Asks a question that changes nothing if it is asked again, and does so once if no answer comes. */
static int exchange_again(tallymark *box, uint8_t type, const uint8_t *body, size_t length,
                          uint8_t answer, uint8_t answer_length)
{
    int result = exchange(box, type, body, length, answer, answer_length);
    return result == TALLYMARK_ERROR_NO_ANSWER && !box->begins_again
               ? exchange(box, type, body, length, answer, answer_length) : result;
}

static int ask_settings(tallymark *box)
{
    int result = exchange_again(box, SETTINGS_READ, NULL, 0, SETTINGS_ANSWER, SETTINGS_SIZE);
    if (result == 0)
        read_settings(box->query.body, &box->settings);
    return result;
}

/* Gets to know a box that was just opened or has started again, and begins the session. */
static int get_to_know(tallymark *box)
{
    int result = TALLYMARK_ERROR_NO_ANSWER;
    uint8_t number[4];
    put(number, box->session, 4);
    for (int tries = 0; tries < 4 && result == TALLYMARK_ERROR_NO_ANSWER; tries++) {
        box->begins_again = box->doubt = 0;
        box->newest_us = 0;
        result = identify(box);
        reset_clock(box);
        uint32_t starts = box->starts_heard;
        if (result == 0)
            result = exchange_again(box, SESSION, number, sizeof number, DONE, DONE_SIZE);
        if (result == 0) { /* no message before it could show one more start */
            box->unanswered = 0;
            end_all_waiting(box, TALLYMARK_WHY_RESTARTED, NEVER);
        }
        if (result == 0)
            result = ask_settings(box);
        if (result == 0 && (box->starts_heard != starts || box->begins_again))
            result = TALLYMARK_ERROR_NO_ANSWER; /* it has started again meanwhile */
    }
    box->is_known = result == 0;
    return result;
}

/* Whether the box can be used now; what comes first in every function that sends. */
static int ready(tallymark *box)
{
    if (box->state == CLOSED)
        return error_with(box, TALLYMARK_ERROR_GONE, "No box is open. No marker was sent. Open it "
                                                "first.");
    if (box->state == BROKEN) {
        SAY(box, "The connection to %s was lost earlier. No marker was sent. Check cable and power, "
                 "then open the box again.", box->where);
        return TALLYMARK_ERROR_GONE;
    }
    while (box->begins_again && box->requests_open) { /* what the box has seen since its start */
        int result = step(box, NEVER);
        if (result < 0)
            return result;
    }
    if (box->begins_again)
        box->is_known = 0;
    return box->is_known ? 0 : get_to_know(box);
}

/* After so many tags without an answer, a new session makes sure that the next one is ahead of
 * those that the box knows, section 3.2. A box that is silent then is given up. */
static int renew_session(tallymark *box)
{
    while (box->requests_open) {
        int result = step(box, NEVER);
        if (result < 0)
            return result;
    }
    box->session = session_number();
    box->is_known = 0;
    end_all_waiting(box, TALLYMARK_WHY_SILENT, NEVER); /* a start may hide behind the silence */
    int result = get_to_know(box);
    if (result == TALLYMARK_ERROR_NOT_A_BOX || result == TALLYMARK_ERROR_NO_ANSWER)
        return fail(box, "was lost: the box does not answer any more");
    return result;
}

/* Has the fate of the oldest marker asked for, where the next tag would put it out of reach. */
static void hurry_oldest(tallymark *box)
{
    struct tallymark_request *oldest = &box->requests[box->oldest_tag];
    uint64_t soon = tallymark_now_ns() + PATIENCE;
    if (box->requests_open && oldest->number && oldest->state == SENT && !oldest->waits
        && oldest->due_ns > soon && !is_in_reach(box))
        oldest->due_ns = soon;
}

/* Waits until a request with a body of that length may be sent. */
static int wait_for_room(tallymark *box, size_t length, bool is_question)
{
    for (;;) {
        int result = ready(box);
        if (result == 0 && !is_question && box->unanswered >= SILENT_MOST)
            result = renew_session(box);
        if (result < 0)
            return result;
        if (fits(box, length + WIRE_OVER_BODY) && !(is_question && box->aside_tag))
            return 0;
        hurry_oldest(box);
        if ((result = step(box, NEVER)) < 0)
            return result;
    }
}

static int ask_with(tallymark *box, uint8_t type, const uint8_t *body, size_t length,
                    uint8_t answer, uint8_t answer_length)
{
    int result = wait_for_room(box, length, true);
    return result < 0 ? result : exchange_again(box, type, body, length, answer, answer_length);
}

static int ask(tallymark *box, uint8_t type, uint8_t answer, uint8_t answer_length)
{
    return ask_with(box, type, NULL, 0, answer, answer_length);
}

/* Opening and closing -------------------------------------------------------------------------- */

/* Drops what has come in before the box was opened, section 3.6. */
static int drop_stale(tallymark *box)
{
    uint8_t bytes[512];
    uint64_t until = tallymark_now_ns() + STALE;
    for (uint64_t now; (now = tallymark_now_ns()) < until;) {
        uint64_t wait_ms = (until - now + MILLISECOND - 1) / MILLISECOND;
        if (read_port(box, bytes, sizeof bytes, (uint32_t)wait_ms) < 0)
            return fail(box, "was lost: it was unplugged, or the program behind it ended");
    }
    return 0;
}

int tallymark_open(tallymark *box, const char *where)
{
    memset(box, 0, sizeof *box);
    if (!where || strlen(where) >= sizeof box->where)
        return error_with(box, TALLYMARK_ERROR_NO_PORT, "That is not the name of a port.");
    memcpy(box->where, where, strlen(where) + 1);
    int result = open_port(box);
    if (result == TALLYMARK_ERROR_DENIED)
        SAY(box, "You may not open %s. No marker was sent. Become a member of the group that owns "
                 "it (often 'dialout'), log in again, then open the box again.", where);
    else if (result == TALLYMARK_ERROR_BUSY)
        SAY(box, "Another program has %s open. No marker was sent. Close that program, then open "
                 "the box again.", where);
    else if (result == TALLYMARK_ERROR_NOT_A_BOX)
        SAY(box, "%s is not a serial port that can work at %d baud. No marker was sent. Choose "
                 "another port.", where, (int)BAUD);
    else if (result < 0)
        SAY(box, "There is no port %s, or nobody listens there. No marker was sent. Plug in the "
                 "box, and look for the port's name.", where);
    if (result < 0)
        return result;
    box->state = OPEN;
    box->session = session_number();
    result = drop_stale(box);
    if (result == 0 && !write_port(box, (const uint8_t[]){0}, 1))
        result = fail(box, "was lost: it takes no bytes");
    if (result == 0)
        result = get_to_know(box);
    if (result == TALLYMARK_ERROR_GONE && box->is_socket) {
        SAY(box, "%s closed the connection at once. No marker was sent. Most likely another "
                 "program has the box open: close that, then open the box again.", where);
        return TALLYMARK_ERROR_BUSY;
    }
    if (result == 0 && box->settings.origin == ORIGIN_OTHER_VERSION)
        SAY(box, "The box started with factory values: its kept settings are of another version of "
                 "the firmware. Write the settings again and keep them.");
    else if (result == 0)
        box->text[0] = '\0';
    box->totals.frames_broken = box->totals.strays = 0; /* of before, which is nobody's concern */
    if (result < 0 && box->state == OPEN) {
        box->state = CLOSED;
        close_port(box);
    }
    return result;
}

static int tell_not_done(tallymark *box)
{
    uint32_t from = box->told_number + 1, sent = box->totals.sent - box->told_number;
    uint32_t not_done = box->totals.refused + box->totals.unconfirmed - box->told_not_done;
    box->told_number = box->totals.sent;
    box->told_not_done += not_done;
    box->text[0] = '\0';
    if (not_done) {
        SAY(box, "%u of %u markers not done:", (unsigned)not_done, (unsigned)sent);
        list_markers(box, from, 0);
        ADD(box, ". Refused ones are not in the recording; unconfirmed ones may or may not be: "
                 "look for them there. Nothing was sent again.");
    }
    return (int)not_done;
}

int tallymark_close(tallymark *box)
{
    if (box->state == OPEN && box->is_known && (box->waiting_count || box->ahead_asked))
        tallymark_cancel(box, 0);
    uint64_t until = tallymark_now_ns() + SECOND;
    while (box->state == OPEN && box->totals.open && tallymark_now_ns() < until)
        step(box, until);
    if (box->state == OPEN) {
        end_all(box, TALLYMARK_WHY_CLOSED, TALLYMARK_ERROR_GONE);
        close_port(box);
    }
    if (box->state == CLOSED)
        return 0;
    box->state = CLOSED;
    return tell_not_done(box);
}

/* Markers -------------------------------------------------------------------------------------- */

static uint8_t kind_of(uint8_t type, const uint8_t *body)
{
    if (type == SEQUENCE_START || type == SEQUENCE_START_AT)
        return TALLYMARK_SEQUENCE;
    return type == SET || (type == TIMED && body[0]) ? TALLYMARK_SET : TALLYMARK_PULSE;
}

static int started_meanwhile(tallymark *box, uint8_t code)
{
    SAY(box, "The box started again while a marker (code %u) was held back in this computer. That "
             "marker was not sent and is not in the recording. Check the box's power and cable, then "
             "go on.", code);
    return TALLYMARK_ERROR_RESTARTED;
}

/* Sends a marker request. `at_us`: the box time of a marker ahead, or 0. */
static int send_marker_at(tallymark *box, uint8_t type, uint8_t code, const uint8_t *body,
                          size_t length, uint64_t at_us)
{
    uint64_t asked = 0;
    uint32_t starts = box->totals.starts;
    int result = 0;
    while (box->state != OPEN || box->begins_again || box->unanswered >= SILENT_MOST
           || !fits(box, length + WIRE_OVER_BODY) || (at_us && !leaves_a_place(box))) {
        asked = asked ? asked : tallymark_now_ns();
        result = wait_for_room(box, length, false);
        if (result == 0 && at_us && !leaves_a_place(box))
            result = step(box, NEVER);
        if (result < 0)
            return result;
    }
    if (box->totals.starts != starts)
        return started_meanwhile(box, code);
    uint32_t number = ++box->totals.sent;
    tallymark_marker *marker = marker_place(box, number);
    *marker = (tallymark_marker){
        .number = number, .code = code, .cut_us = TALLYMARK_NONE_CUT, .kind = kind_of(type, body),
        .at_us = at_us};
    if (marker->kind == TALLYMARK_PULSE) {
        uint32_t own_us = type == PULSE_FOR ? get32(body + 1) : type == TIMED ? get32(body + 2) : 0;
        marker->width_us = own_us ? own_us : box->settings.width_us;
    }
    box->totals.open++;
    box->ahead_asked += at_us != 0;
    if (asked) {
        uint64_t held_us = (tallymark_now_ns() - asked) / 1000;
        marker->held_back_us = (uint32_t)(held_us ? held_us : 1);
        box->totals.held_back++;
    }
    result = send_request(box, type, body, length, number);
    if (result >= 0)
        result = take_in(box, 0); /* after sending, so that the marker needn't wait for it */
    if (result == 0)
        look_after(box);
    return box->state == OPEN ? (int)number : TALLYMARK_ERROR_GONE;
}

static int send_marker(tallymark *box, uint8_t type, uint8_t code, const uint8_t *body, size_t length)
{
    return send_marker_at(box, type, code, body, length, 0);
}

static int check_code(tallymark *box, int code, int least)
{
    if (code >= least && code <= 255)
        return 0;
    SAY(box, "Code %d is out of range: codes go from %d to 255 here. Nothing was sent. Choose "
             "another code%s.", code, least, least ? "; for idle, set code 0" : "");
    return TALLYMARK_ERROR_BAD_VALUE;
}

static int send_code(tallymark *box, uint8_t type, int code, int least, uint32_t width_us)
{
    uint8_t body[5] = {(uint8_t)code};
    if (check_code(box, code, least) < 0)
        return TALLYMARK_ERROR_BAD_VALUE;
    put(body + 1, width_us, 4);
    return send_marker(box, type, (uint8_t)code, body, type == PULSE_FOR ? 5 : 1);
}

/* The low 32 bits of a box time mean the one nearest to now, so that an expiry must not be farther
 * away than that. Its `at` is a time that is surely past. */
static int send_timed(tallymark *box, uint8_t kind, int code, int least, uint32_t width_us,
                      uint64_t expiry_us)
{
    uint8_t body[14] = {kind, (uint8_t)code};
    if (check_code(box, code, least) < 0)
        return TALLYMARK_ERROR_BAD_VALUE;
    int result = ready(box);
    if (result < 0)
        return result;
    uint64_t now_us = box->newest_us + (tallymark_now_ns() - box->newest_ns) / 1000;
    if (expiry_us > now_us + EXPIRY_MOST_US || now_us > expiry_us + EXPIRY_MOST_US) {
        SAY(box, "An expiry at box time %llu us is out of range: that may be 17 minutes away at "
                 "most, and the box's time now is about %llu us. Nothing was sent. Read the box's "
                 "clock, and add the time that the marker may take.",
            (unsigned long long)expiry_us, (unsigned long long)now_us);
        return TALLYMARK_ERROR_BAD_VALUE;
    }
    put(body + 2, width_us, 4);
    put(body + 6, expiry_us - SURELY_PAST_US, 4);
    put(body + 10, expiry_us, 4);
    return send_marker(box, TIMED, (uint8_t)code, body, sizeof body);
}

int tallymark_pulse(tallymark *box, int code)
{
    return send_code(box, PULSE, code, 1, 0);
}

int tallymark_pulse_for(tallymark *box, int code, uint32_t width_us)
{
    return send_code(box, PULSE_FOR, code, 1, width_us);
}

int tallymark_set(tallymark *box, int code)
{
    return send_code(box, SET, code, 0, 0);
}

int tallymark_pulse_until(tallymark *box, int code, uint32_t width_us, uint64_t expiry_us)
{
    return send_timed(box, 0, code, 1, width_us, expiry_us);
}

int tallymark_set_until(tallymark *box, int code, uint64_t expiry_us)
{
    return send_timed(box, 1, code, 0, 0, expiry_us);
}

/* The box time of a marker ahead, known as well as it was asked for. */
static int time_ahead(tallymark *box, const tallymark_ahead *when, uint64_t *at_us)
{
    uint64_t now = tallymark_now_ns(), at_ns = when->after_us ? now + when->after_us * 1000 : when->at_ns;
    tallymark_instant instant = {0};
    if (when->late_us > AHEAD_MOST_US || when->after_us > AHEAD_MOST_US
        || (when->at_us != 0) + (when->at_ns != 0) + (when->after_us != 0) != 1)
        return error_with(box, TALLYMARK_ERROR_BAD_VALUE,
                          "Give one time of a marker ahead: of the computer ('at_ns'), from now "
                          "('after_us'), or of the box ('at_us'). Nothing was sent.");
    if (now - box->newest_ns > SECOND && fits(box, WIRE_OVER_BODY)) { /* a narrow bound is worth that */
        tallymark_clock unused;
        int result = tallymark_read_clock(box, &unused);
        if (result < 0 && result != TALLYMARK_ERROR_NO_ANSWER)
            return result;
    }
    uint64_t now_us = box->newest_us + (tallymark_now_ns() - box->newest_ns) / 1000;
    if (when->at_us) {
        instant.box_time_us = when->at_us;
    } else {
        int result = tallymark_to_box(box, at_ns, &instant);
        if (result < 0)
            return result;
    }
    if (after_ns(at_ns ? at_ns : now, now) / 1000 > (double)AHEAD_MOST_US
        || instant.box_time_us > now_us + AHEAD_MOST_US || now_us > instant.box_time_us + AHEAD_MOST_US)
        return error_with(box, TALLYMARK_ERROR_BAD_VALUE,
                          "A marker can be given 30 minutes ahead at most. Nothing was sent. Computer "
                          "times are those of tallymark_now_ns, box times those of "
                          "tallymark_read_clock.");
    *at_us = instant.box_time_us ? instant.box_time_us : 1;
    uint64_t bound_us = (instant.bound_ns + 999) / 1000;
    if (!when->bound_us || bound_us <= when->bound_us)
        return 0;
    SAY(box, "The clocks are known to agree within %llu us at that time, not within %u us as "
             "asked. Nothing was sent. Call tallymark_sync_clock shortly before, give the marker "
             "less far ahead, or accept a wider bound.",
        (unsigned long long)bound_us, (unsigned)when->bound_us);
    return TALLYMARK_ERROR_BAD_VALUE;
}

static int send_ahead(tallymark *box, uint8_t kind, int code, int least, const tallymark_ahead *when)
{
    uint8_t body[14] = {kind, (uint8_t)code};
    uint64_t at_us;
    if (check_code(box, code, least) < 0)
        return TALLYMARK_ERROR_BAD_VALUE;
    int result = ready(box);
    if (result < 0)
        return result;
    if (!(box->identity.capabilities & CAPABLE_AHEAD))
        return error_with(box, TALLYMARK_ERROR_BAD_VALUE,
                          "The firmware of this box can't put out markers ahead of their time. Nothing "
                          "was sent. Send the marker at its time, or load newer firmware.");
    if ((result = time_ahead(box, when, &at_us)) < 0)
        return result;
    uint32_t starts = box->totals.starts;
    uint32_t places = box->identity.places < TALLYMARK_AHEAD_MOST ? box->identity.places
                                                                  : TALLYMARK_AHEAD_MOST;
    if (box->waiting_count + box->ahead_asked >= places)
        take_in(box, 0); /* some may be out by now */
    if (box->waiting_count + box->ahead_asked >= places) {
        SAY(box, "The box holds %u markers ahead, and as many wait for their time. This one was not "
                 "sent: wait for one of them, or cancel it.", (unsigned)places);
        return TALLYMARK_ERROR_BAD_VALUE;
    }
    if (box->totals.starts != starts) /* its time is by the clock of before */
        return started_meanwhile(box, (uint8_t)code);
    put(body + 2, when->width_us, 4);
    put(body + 6, at_us, 4);
    put(body + 10, at_us + when->late_us, 4);
    return send_marker_at(box, TIMED, (uint8_t)code, body, sizeof body, at_us);
}

int tallymark_pulse_ahead(tallymark *box, int code, const tallymark_ahead *when)
{
    return send_ahead(box, 0, code, 1, when);
}

int tallymark_set_ahead(tallymark *box, int code, const tallymark_ahead *when)
{
    tallymark_ahead without_width = *when;
    without_width.width_us = 0;
    return send_ahead(box, 1, code, 0, &without_width);
}

int tallymark_cancel(tallymark *box, int number)
{
    tallymark_marker marker = {0};
    uint8_t body[4];
    int result = ready(box);
    while (result == 0 && number) { /* its number in the box may be on the way */
        int outcome = tallymark_marker_of(box, number, &marker);
        if (outcome != TALLYMARK_OPEN || !marker.at_us)
            return outcome < 0 ? outcome : 0;
        if (marker.ahead_number)
            break;
        result = step(box, NEVER);
    }
    uint32_t before = box->taken_back;
    put(body, marker.ahead_number, 4);
    if (result == 0)
        result = ask_with(box, CANCEL, body, sizeof body, DONE, DONE_SIZE);
    return result < 0 ? result : (int)(box->taken_back - before);
}

int tallymark_sync_clock(tallymark *box, int rounds)
{
    tallymark_clock unused;
    int result = 0;
    for (int round = 0; round < rounds && result == 0; round++)
        result = tallymark_read_clock(box, &unused);
    return result;
}

int tallymark_marker_of(tallymark *box, int number, tallymark_marker *marker)
{
    uint32_t newest = box->totals.sent;
    for (uint32_t place = 0; place < box->waiting_count; place++) { /* they may wait for long */
        if (box->waiting[place].marker.number == (uint32_t)number) {
            if (marker)
                *marker = box->waiting[place].marker;
            return TALLYMARK_OPEN;
        }
    }
    if (number < 1 || (uint32_t)number > newest || newest - (uint32_t)number >= TALLYMARK_KEPT) {
        SAY(box, "There is no record of marker number %d: %u were sent, and the newest %d are "
                 "kept. No marker is affected by that.", number, (unsigned)newest, TALLYMARK_KEPT);
        return TALLYMARK_ERROR_BAD_VALUE;
    }
    const tallymark_marker *found = marker_place(box, (uint32_t)number);
    if (marker)
        *marker = *found;
    return found->outcome;
}

int tallymark_wait(tallymark *box, int number, tallymark_marker *marker)
{
    int outcome;
    while ((outcome = tallymark_marker_of(box, number, marker)) == TALLYMARK_OPEN)
        step(box, NEVER); /* when the connection breaks, the marker is unconfirmed */
    return outcome;
}

int tallymark_wait_all(tallymark *box)
{
    int result = ready(box);
    while (result == 0 && box->totals.open)
        result = step(box, NEVER);
    return result < 0 ? result : tell_not_done(box);
}

int tallymark_poll(tallymark *box, uint32_t wait_ms)
{
    int result = ready(box);
    if (result == 0)
        result = step(box, tallymark_now_ns() + wait_ms * MILLISECOND);
    if (result == 0)
        result = ready(box);
    return result < 0 ? result : (int)box->totals.open;
}

void tallymark_on_end(tallymark *box, tallymark_ended ended, void *user)
{
    box->ended = ended;
    box->user = user;
}

void tallymark_on_event(tallymark *box, tallymark_happened happened, void *user)
{
    box->happened = happened;
    box->happened_user = user;
}

int tallymark_describe(const tallymark_marker *marker, char *text, size_t size)
{
    char all[512] = "";
    append(all, sizeof all, "Marker %u (code %u) ", (unsigned)marker->number, marker->code);
    if (marker->outcome == TALLYMARK_OPEN && marker->ahead_number)
        append(all, sizeof all, "was accepted: it goes out at box time %llu us.",
               (unsigned long long)marker->at_us);
    else if (marker->outcome == TALLYMARK_OPEN)
        append(all, sizeof all, "is open: its answer is still pending.");
    if (marker->outcome == TALLYMARK_DONE) {
        append(all, sizeof all, "is done at box time %llu us.",
               (unsigned long long)marker->box_time_us);
        if (marker->by_fate)
            append(all, sizeof all, " Its answer was lost, and the box was asked.");
        if (marker->no_edge)
            append(all, sizeof all, " The lines had that code already, so that none of them "
                                    "changed: the recording shows no new marker. Set code 0 "
                                    "between equal codes.");
        if (marker->delay_us)
            append(all, sizeof all, marker->at_us ? " It came too late, and went out %u us later."
                                                  : " It waited %u us for the gap.",
                   (unsigned)marker->delay_us);
    }
    if (marker->outcome == TALLYMARK_REFUSED) {
        append(all, sizeof all, "was refused (%s) and is not in the recording. %s",
               reason_text(marker->reason, 0), reason_text(marker->reason, 1));
        if (marker->has_detail && marker->reason == REASON_LATE)
            append(all, sizeof all, " (It would have been %u us late.)", (unsigned)marker->detail);
        else if (marker->has_detail && marker->detail && marker->reason != 6
                 && marker->reason != REASON_CANCELLED)
            append(all, sizeof all, " (Detail: %u.)", (unsigned)marker->detail);
    }
    if (marker->outcome != TALLYMARK_OPEN && marker->cut_us != TALLYMARK_NONE_CUT)
        append(all, sizeof all, " It cut an earlier pulse, which lasted %u us.",
               (unsigned)marker->cut_us);
    if (marker->outcome == TALLYMARK_UNCONFIRMED)
        append(all, sizeof all, "is unconfirmed: %s. It may or may not be in the recording, and "
                                "was not sent again: look for it there.",
               tallymark_why_text(marker->why));
    if (marker->held_back_us)
        append(all, sizeof all, " It was held back in this computer for %u us, because more "
                                "requests were on their way than the box has room for, because it "
                                "had started again, or because the end of an earlier marker ahead "
                                "was not known.",
               (unsigned)marker->held_back_us);
    return snprintf(text, size, "%s", all);
}

/* Sequences ------------------------------------------------------------------------------------ */

static int load(tallymark *box, const tallymark_step *steps, size_t count)
{
    int result = 0;
    box->load_error = 0;
    for (size_t index = 0; index < count && !box->load_error; index++) {
        uint8_t body[7];
        put(body, index, 2);
        put(body + 2, steps[index].code, 1);
        put(body + 3, steps[index].hold_us, 4);
        if ((result = wait_for_room(box, sizeof body, false)) < 0)
            return result;
        if (box->load_error) /* told while there was no room */
            break;
        box->loads_open++;
        if ((result = send_request(box, SEQUENCE_LOAD, body, sizeof body, 0)) < 0)
            return result;
    }
    while (box->loads_open) {
        if ((result = step(box, NEVER)) < 0)
            return result;
    }
    return box->load_error == TALLYMARK_ERROR_REFUSED ? box->load_error
                                                      : question_error(box, box->load_error);
}

static int check_steps(tallymark *box, size_t count)
{
    int result = ready(box);
    if (result < 0)
        return result;
    if (count < 1 || count > box->identity.steps) {
        SAY(box, "A sequence has 1 to %u steps in this box, not %lu. Nothing was sent. Make it "
                 "shorter, or use repeats.", box->identity.steps, (unsigned long)count);
        return TALLYMARK_ERROR_BAD_VALUE;
    }
    return 0;
}

/* Sends the start of a sequence and waits for the box's word. `at_us`: as in `send_marker_at`. */
static int start(tallymark *box, uint32_t repeats, uint64_t at_us)
{
    uint8_t body[8];
    tallymark_marker marker = {0};
    put(body, repeats, 4);
    put(body + 4, at_us, 4);
    box->sequences_ended = 0;
    int number = send_marker_at(box, at_us ? SEQUENCE_START_AT : SEQUENCE_START, 0, body, at_us ? 8 : 4,
                                at_us);
    if (number < 0)
        return number;
    int outcome;
    while ((outcome = tallymark_marker_of(box, number, &marker)) == TALLYMARK_OPEN && !marker.ahead_number)
        step(box, NEVER);
    if (outcome == TALLYMARK_DONE || outcome == TALLYMARK_OPEN)
        return number;
    tallymark_describe(&marker, box->text, sizeof box->text);
    ADD(box, " It is the start of the sequence.");
    return outcome == TALLYMARK_REFUSED ? TALLYMARK_ERROR_REFUSED : TALLYMARK_ERROR_UNCONFIRMED;
}

int tallymark_sequence(tallymark *box, const tallymark_step *steps, size_t count, uint32_t repeats)
{
    int result = check_steps(box, count);
    if (result == 0)
        result = load(box, steps, count);
    return result < 0 ? result : start(box, repeats, 0);
}

int tallymark_sequence_ahead(tallymark *box, const tallymark_step *steps, size_t count, uint32_t repeats,
                             const tallymark_ahead *when)
{
    uint64_t at_us = 0;
    int result = check_steps(box, count);
    if (result < 0)
        return result;
    if (!(box->identity.capabilities & CAPABLE_START_AT))
        return error_with(box, TALLYMARK_ERROR_BAD_VALUE,
                          "The firmware of this box can't start a sequence at a time. Nothing was sent. "
                          "Start it when it is to play, or load newer firmware.");
    if (when->late_us || when->width_us)
        return error_with(box, TALLYMARK_ERROR_BAD_VALUE,
                          "A sequence starts at its time or not at all, and its steps have hold times of "
                          "their own: leave 'late_us' and 'width_us' 0. Nothing was sent.");
    if (box->waiting_count + box->ahead_asked >= TALLYMARK_AHEAD_MOST)
        return error_with(box, TALLYMARK_ERROR_BAD_VALUE,
                          "Too many markers ahead have no end yet. The sequence was not sent: wait for "
                          "them, or cancel them.");
    if ((result = time_ahead(box, when, &at_us)) == 0 && (result = load(box, steps, count)) == 0)
        result = time_ahead(box, when, &at_us); /* anew: `after_us` counts from here */
    return result < 0 ? result : start(box, repeats, at_us);
}

static int ask_sequence(tallymark *box, uint8_t type, tallymark_sequence_info *info)
{
    int result = ask(box, type, SEQUENCE_ANSWER, SEQUENCE_SIZE);
    if (result == 0 && info)
        read_sequence(box->query.body, info);
    return result;
}

int tallymark_sequence_look(tallymark *box, tallymark_sequence_info *info)
{
    return ask_sequence(box, SEQUENCE_STATE, info);
}

int tallymark_sequence_stop(tallymark *box, tallymark_sequence_info *info)
{
    return ask_sequence(box, SEQUENCE_STOP, info);
}

int tallymark_sequence_wait(tallymark *box, uint32_t wait_ms, tallymark_sequence_info *info)
{
    uint64_t until = tallymark_now_ns() + wait_ms * MILLISECOND;
    tallymark_sequence_info now = {0};
    for (;;) { /* the notice may get lost: it is asked every second */
        int result = tallymark_sequence_look(box, &now);
        if (info)
            *info = now;
        if (result < 0)
            return result;
        if (now.state == TALLYMARK_SEQUENCE_ENDED || now.state == TALLYMARK_SEQUENCE_STOPPED)
            return 0;
        if (now.state == TALLYMARK_SEQUENCE_LOADED)
            return error_with(box, TALLYMARK_ERROR_REFUSED,
                         "The sequence does not play: it was not started, or its start was taken back. "
                         "Nothing of it is in the recording. Start it again.");
        if (now.state != TALLYMARK_SEQUENCE_PLAYING && now.state != TALLYMARK_SEQUENCE_WAITING)
            return error_with(box, TALLYMARK_ERROR_RESTARTED,
                         "No sequence plays, and none was played to its end: the box started "
                         "again, or its settings were changed. What is missing of it is not in the "
                         "recording. Load and start it again.");
        uint64_t look = tallymark_now_ns();
        if (look >= until)
            return error_with(box, TALLYMARK_ERROR_PLAYING,
                              now.state == TALLYMARK_SEQUENCE_WAITING
                                  ? "The sequence still waits for its time. Nothing is wrong with it: "
                                    "wait longer, or stop it."
                                  : "The sequence still plays. Nothing is wrong with it: wait longer, or "
                                    "stop it.");
        look = until - look > SECOND ? look + SECOND : until;
        uint32_t ended = box->sequences_ended, starts = box->totals.starts;
        while (box->sequences_ended == ended && box->totals.starts == starts
               && tallymark_now_ns() < look) {
            if ((result = step(box, look)) < 0)
                return result;
        }
    }
}

/* Capture -------------------------------------------------------------------------------------- */

int tallymark_capture_start(tallymark *box)
{
    static const uint8_t keep[] = {0};
    int result = ask_with(box, CAPTURE_START, keep, sizeof keep, DONE, DONE_SIZE);
    box->capture_next = box->capture_lost = 0;
    box->capture_starts = result == 0 ? box->totals.starts + 1 : 0;
    return result;
}

/* Takes edges of an answer, as many as there is room for. Entries in between are lost; those of a
 * source that this library doesn't know are left out. Returns how many were taken, or an error. */
static int take_edges(tallymark *box, tallymark_edge *edges, int most)
{
    const uint8_t *body = box->query.body, *entry = body + EDGES_SIZE;
    uint32_t first = get32(body), missing = first - box->capture_next;
    int left = (box->query.length - EDGES_SIZE) / EDGE_SIZE, taken = 0;
    bool is_empty = box->capture_next == 0 && first == 0 && left == 0; /* without even its start */
    if (box->capture_starts != box->totals.starts + 1 || missing > UINT32_MAX / 2 || is_empty)
        return error_with(box, TALLYMARK_ERROR_RESTARTED,
                          "The box runs no capture of this program: it started again, or none was "
                          "begun. Edges that were not fetched before are lost; markers are not "
                          "affected by that. Start a capture again.");
    box->capture_lost += missing;
    box->capture_next = first;
    for (; left > 0 && taken < most; left--, entry += EDGE_SIZE) {
        box->capture_next++;
        if (entry[8] == SOURCE_READBACK)
            edges[taken++] = (tallymark_edge){get(entry, 8), entry[9]};
    }
    return taken;
}

int tallymark_capture_fetch(tallymark *box, tallymark_edge *edges, int most, uint32_t *lost)
{
    int taken = 0, result = most > 0 ? ready(box) : TALLYMARK_ERROR_BAD_VALUE;
    if (most <= 0)
        SAY(box, "There is no room for edges. Nothing was fetched, and none is lost by that. Give "
                 "room for one at least.");
    while (result == 0 && taken < most) {
        uint8_t first[4];
        put(first, box->capture_next, 4);
        result = ask_with(box, CAPTURE_FETCH, first, sizeof first, EDGES_ANSWER, EDGES_SIZE);
        int count = result == 0 ? take_edges(box, edges + taken, most - taken) : 0;
        if (count < 0)
            result = count;
        else
            taken += count;
        if (box->query.length < EDGES_SIZE + EDGE_SIZE)
            break;
    }
    if (lost)
        *lost = box->capture_lost;
    return taken ? taken : result;
}

int tallymark_capture_stop(tallymark *box)
{
    return ask(box, CAPTURE_STOP, DONE, DONE_SIZE);
}

/* Questions ------------------------------------------------------------------------------------ */

int tallymark_read_levels(tallymark *box, tallymark_levels *levels)
{
    int result = ask(box, LEVELS, LEVELS_ANSWER, LEVELS_SIZE);
    if (result == 0)
        read_levels(box->query.body, levels);
    return result;
}

int tallymark_read_clock(tallymark *box, tallymark_clock *clock)
{
    int result = wait_for_room(box, 0, true);
    if (result < 0)
        return result;
    clock->sent_ns = tallymark_now_ns();
    result = exchange(box, CLOCK, NULL, 0, DONE, DONE_SIZE);
    clock->received_ns = box->query.received_ns;
    clock->box_time_us = get(box->query.body, 8);
    return result;
}

int tallymark_read_counters(tallymark *box, tallymark_counters *counters)
{
    int result = ask(box, COUNTERS, COUNTERS_ANSWER, COUNTERS_SIZE);
    if (result == 0)
        read_counters(box->query.body, counters);
    return result;
}

int tallymark_read_settings(tallymark *box, tallymark_settings *settings)
{
    int result = wait_for_room(box, 0, true);
    if (result == 0 && (result = ask_settings(box)) == 0)
        *settings = box->settings;
    return result;
}

/* The self-test -------------------------------------------------------------------------------- */

struct seen { /* the levels that were driven, and those that came back */
    uint16_t count;
    uint8_t driven[256], readback[256];
};

/* Whether an input came back as `verdict` says of it, for all codes. */
static bool agrees(const struct seen *seen, int line, tallymark_verdict verdict, int other)
{
    for (int k = 0; k < seen->count; k++) {
        int own = seen->driven[k] >> line & 1, others = seen->driven[k] >> other & 1;
        int should[] = {
            [TALLYMARK_LINE_GOOD] = own, [TALLYMARK_LINE_ALWAYS_LOW] = 0,
            [TALLYMARK_LINE_ALWAYS_HIGH] = 1, [TALLYMARK_LINE_INVERTED] = !own,
            [TALLYMARK_LINE_SHOWS_OTHER] = others, [TALLYMARK_LINE_HIGH_WITH_OTHER] = own | others,
            [TALLYMARK_LINE_LOW_WITH_OTHER] = own & others};
        if ((seen->readback[k] >> line & 1) != should[verdict])
            return false;
    }
    return true;
}

static void judge_line(const struct seen *seen, int line, uint8_t lines,
                       tallymark_selftest_result *result)
{
    result->verdict[line] = TALLYMARK_LINE_UNCLEAR;
    for (int verdict = TALLYMARK_LINE_GOOD; verdict < TALLYMARK_LINE_UNCLEAR; verdict++) {
        bool needs_other = verdict >= TALLYMARK_LINE_SHOWS_OTHER;
        for (int other = 0; other < 8; other++) {
            if (needs_other ? other == line || !(lines >> other & 1) : other != line)
                continue;
            if (agrees(seen, line, (tallymark_verdict)verdict, other)) {
                result->verdict[line] = (uint8_t)verdict;
                result->other[line] = (uint8_t)(needs_other ? other : 0);
                return;
            }
        }
    }
}

static void judge(const struct seen *seen, uint8_t lines, tallymark_selftest_result *result)
{
    static const char *const words[] = {
        [TALLYMARK_LINE_ALWAYS_LOW] = "is always low",
        [TALLYMARK_LINE_ALWAYS_HIGH] = "is always high",
        [TALLYMARK_LINE_INVERTED] = "is inverted",
        [TALLYMARK_LINE_SHOWS_OTHER] = "shows line",
        [TALLYMARK_LINE_HIGH_WITH_OTHER] = "is high with line",
        [TALLYMARK_LINE_LOW_WITH_OTHER] = "is low with line",
        [TALLYMARK_LINE_UNCLEAR] = "does not follow"};
    size_t size = sizeof result->text;
    bool any_alive = false, first = true;
    for (int k = 0; k < seen->count; k++)
        if (((seen->driven[k] ^ seen->readback[k]) & lines) == 0)
            result->right++;
    result->tried = seen->count;
    append(result->text, size, "%u of %u codes came back right", result->right, result->tried);
    for (int line = 0; line < 8; line++) {
        if (!(lines >> line & 1))
            continue;
        judge_line(seen, line, lines, result);
        int verdict = result->verdict[line];
        any_alive |= verdict != TALLYMARK_LINE_ALWAYS_LOW && verdict != TALLYMARK_LINE_ALWAYS_HIGH;
        if (verdict == TALLYMARK_LINE_GOOD)
            continue;
        append(result->text, size, "%s line %d %s", first ? ":" : ",", line, words[verdict]);
        first = false;
        if (verdict >= TALLYMARK_LINE_SHOWS_OTHER && verdict < TALLYMARK_LINE_UNCLEAR)
            append(result->text, size, " %d", result->other[line]);
    }
    if (result->right == result->tried)
        append(result->text, size, ".");
    else
        append(result->text, size, "%s; do not record, and run 'tallymark selftest' for the pins.",
               any_alive ? "" : " (is the loopback plugged in?)");
}

/* Sets a code and waits until it is out. */
static int set_now(tallymark *box, int code)
{
    tallymark_marker marker;
    int number = tallymark_set(box, code);
    if (number < 0)
        return number;
    int outcome = tallymark_wait(box, number, &marker);
    if (outcome == TALLYMARK_DONE)
        return 0;
    tallymark_describe(&marker, box->text, sizeof box->text);
    ADD(box, " The self-test stopped.");
    return outcome == TALLYMARK_REFUSED ? TALLYMARK_ERROR_REFUSED : TALLYMARK_ERROR_UNCONFIRMED;
}

/* Drives the codes, and reads what comes back a millisecond after each. */
static int drive(tallymark *box, uint8_t lines, struct seen *seen)
{
    for (int code = 0; code < 256; code++) {
        tallymark_levels levels;
        if (code & ~lines)
            continue;
        int result = set_now(box, code);
        uint64_t settled = tallymark_now_ns() + MILLISECOND;
        while (result == 0 && tallymark_now_ns() < settled)
            result = step(box, settled);
        if (result == 0)
            result = tallymark_read_levels(box, &levels);
        if (result < 0)
            return result;
        seen->driven[seen->count] = levels.outputs;
        seen->readback[seen->count++] = levels.readback;
    }
    return 0;
}

int tallymark_selftest(tallymark *box, tallymark_selftest_result *result)
{
    struct seen seen = {0};
    tallymark_settings settings = {0};
    tallymark_sequence_info sequence = {0};
    tallymark_levels levels = {0};
    *result = (tallymark_selftest_result){0};
    int status = tallymark_sequence_look(box, &sequence);
    if (status == 0)
        status = tallymark_read_settings(box, &settings);
    if (status == 0)
        status = tallymark_read_levels(box, &levels);
    if (status < 0)
        return status;
    if (sequence.state == TALLYMARK_SEQUENCE_PLAYING)
        return error_with(box, TALLYMARK_ERROR_PLAYING,
                          "A sequence plays. The self-test moved no line. Stop the sequence, then "
                          "test again.");
    if (settings.strobe)
        return error_with(box, TALLYMARK_ERROR_REFUSED,
                          "The settings have a strobe, whose line no code can drive, so it can't be "
                          "tested here. The self-test moved no line. Run 'tallymark selftest', which "
                          "tests all lines.");
    if (levels.outputs != (settings.idle_high ? 0xFF : 0) || box->totals.open)
        return error_with(box, TALLYMARK_ERROR_NOT_IDLE,
                     "A pulse is out, a marker waits, or a code is held. The self-test moved no "
                     "line. Wait until it is over or set code 0, then test again.");
    status = drive(box, settings.lines, &seen);
    if (status < 0) { /* the first error is the one to tell */
        char text[sizeof box->text];
        memcpy(text, box->text, sizeof text);
        if (box->state == OPEN && set_now(box, 0) < 0 && box->state == OPEN)
            set_now(box, 0); /* a set 0 more does no harm */
        memcpy(box->text, text, sizeof text);
        return status;
    }
    if ((status = set_now(box, 0)) < 0 && (status = set_now(box, 0)) < 0)
        return status;
    judge(&seen, settings.lines, result);
    return result->right == result->tried ? 0 : 1;
}

/* What the library knows ----------------------------------------------------------------------- */

const char *tallymark_text(const tallymark *box)
{
    return box->text;
}

void tallymark_get_totals(const tallymark *box, tallymark_totals *totals)
{
    *totals = box->totals;
}

void tallymark_get_identity(const tallymark *box, tallymark_identity *identity)
{
    *identity = box->identity;
}

void tallymark_get_settings(const tallymark *box, tallymark_settings *settings)
{
    *settings = box->settings;
}

size_t tallymark_size(void)
{
    return sizeof(tallymark);
}
