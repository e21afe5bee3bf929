/* See tallymark_log.h for what this does, and protocol/MARKERLOG.md for the format. */
#ifndef _DEFAULT_SOURCE
#define _DEFAULT_SOURCE /* flock */
#endif
#ifndef _DARWIN_C_SOURCE
#define _DARWIN_C_SOURCE
#endif
#include "tallymark_log.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#ifdef _WIN32
#define WIN32_LEAN_AND_MEAN
#include <windows.h>
#include <io.h>
#include <sys/locking.h>
#else
#include <sys/file.h>
#include <unistd.h>
#endif

enum { REASON_CANCELLED = 19, BYTES_SET = 2, CAUSES = 7, LOCKED_BYTE = 2147483646 };

/* The system ------------------------------------------------------------------------------------ */

#ifdef _WIN32
static int open_new(const char *path)
{
    wchar_t wide[1024];
    if (!MultiByteToWideChar(CP_UTF8, MB_ERR_INVALID_CHARS, path, -1, wide, 1024)) {
        errno = EINVAL;
        return -1;
    }
    return _wopen(wide, _O_WRONLY | _O_APPEND | _O_CREAT | _O_EXCL | _O_BINARY | _O_NOINHERIT,
                  _S_IREAD | _S_IWRITE);
}

static int lock_file(int file)
{
    _lseek(file, LOCKED_BYTE, SEEK_SET);
    int result = _locking(file, _LK_NBLCK, 1);
    _lseek(file, 0, SEEK_SET);
    return result;
}

static int write_file(int file, const char *data, size_t size)
{
    return _write(file, data, (unsigned)size);
}

static int sync_file(int file)
{
    return _commit(file);
}

static void close_file(int file)
{
    _close(file);
}

/* Date and time now, ISO 8601 with offset. */
static void write_date(char *text, size_t size)
{
    SYSTEMTIME now;
    GetSystemTime(&now);
    snprintf(text, size, "%04u-%02u-%02uT%02u:%02u:%02u.%03u000+00:00", now.wYear, now.wMonth, now.wDay,
             now.wHour, now.wMinute, now.wSecond, now.wMilliseconds);
}
#else
static int open_new(const char *path)
{
    return open(path, O_WRONLY | O_APPEND | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
}

static int lock_file(int file)
{
    return flock(file, LOCK_EX | LOCK_NB);
}

static int write_file(int file, const char *data, size_t size)
{
    ssize_t written;
    do
        written = write(file, data, size);
    while (written < 0 && errno == EINTR);
    return (int)written;
}

static int sync_file(int file)
{
    return fsync(file);
}

static void close_file(int file)
{
    close(file);
}

/* Date and time now, ISO 8601 with offset. */
static void write_date(char *text, size_t size)
{
    struct timespec now;
    struct tm parts;
    clock_gettime(CLOCK_REALTIME, &now);
    gmtime_r(&now.tv_sec, &parts);
    size_t length = strftime(text, size, "%Y-%m-%dT%H:%M:%S", &parts);
    snprintf(text + length, size - length, ".%06u+00:00", (unsigned)(now.tv_nsec / 1000 % 1000000));
}
#endif

static uint64_t now_us(void)
{
    return tallymark_now_ns() / 1000;
}

/* Records --------------------------------------------------------------------------------------- */

/* Adds to the record in `line`, behind the line feed that is its first byte. False if it is full. */
static bool add(tallymark_log *log, size_t *length, const char *format, ...)
{
    size_t room = sizeof log->line - *length;
    va_list arguments;
    va_start(arguments, format);
    int added = vsnprintf(log->line + *length, room, format, arguments);
    va_end(arguments);
    if (added < 0 || (size_t)added >= room)
        return false;
    *length += (size_t)added;
    return true;
}

static bool add_text(tallymark_log *log, size_t *length, const char *text)
{
    bool fits = add(log, length, "\"");
    for (; *text && fits; text++) {
        unsigned char letter = (unsigned char)*text;
        if (letter == '"' || letter == '\\')
            fits = add(log, length, "\\%c", letter);
        else if (letter < ' ')
            fits = add(log, length, "\\u%04x", letter);
        else
            fits = add(log, length, "%c", letter);
    }
    return fits && add(log, length, "\"");
}

/* Hands the record in `line` to the system by one call. Returns whether the file has it. */
static bool put(tallymark_log *log, size_t length)
{
    const char *begin = log->line + !log->torn; /* a line feed first where the file ends within a record */
    size_t size = length - !log->torn;
    int written = write_file(log->file, begin, size);
    if (written < 0) {
        snprintf(log->why, sizeof log->why, "%s", strerror(errno));
        return false;
    }
    if ((size_t)written == size) {
        log->torn = 0;
        return true;
    }
    if (written > 0)
        log->torn = begin[written - 1] != '\n';
    if ((size_t)written == size - 1)
        return true; /* it lacks its line feed alone, which comes before the next one */
    snprintf(log->why, sizeof log->why, "only a part of a record was taken; the disk may be full");
    return false;
}

static void say(tallymark_log *log, const char *text)
{
    if (log->tell)
        log->tell(log->user, text);
    else
        fprintf(stderr, "%s\n", text);
}

/* A record can't be written. */
static void lose(tallymark_log *log, uint64_t host_us, bool is_restart)
{
    log->lost++;
    log->restarted |= is_restart;
    if (log->gap++)
        return;
    log->gap_since_us = host_us;
    snprintf(log->text, sizeof log->text,
             "The marker log can't be written (%s). Markers still go to the box, but they are not in the "
             "log until it can be written again: only the recording will hold them. Free some space on "
             "that disk, or make it reachable again, now.", log->why);
    say(log, log->text);
}

/* Tries to tell in the file what it lacks. */
static bool resume(tallymark_log *log)
{
    char record[512];
    uint32_t gap = log->gap;
    size_t length = 1;
    (void)add(log, &length, "{\"lost\":%" PRIu32 ",\"since\":%" PRIu64 ",\"host\":%" PRIu64 ",\"why\":", gap,
              log->gap_since_us, now_us());
    snprintf(record, sizeof record, "%s", log->why);
    (void)add_text(log, &length, record);
    (void)add(log, &length, "%s}\n", log->restarted ? ",\"restarted\":true" : "");
    if (!put(log, length))
        return false;
    log->gap = log->restarted = 0;
    snprintf(log->text, sizeof log->text,
             "The marker log can be written again. %" PRIu32 " of its records %s missing in it, and the log "
             "says so.", gap, gap == 1 ? "is" : "are");
    say(log, log->text);
    return true;
}

/* Makes room for a record in `line`, after telling of those that are lost. */
static size_t begin_record(tallymark_log *log)
{
    if (log->file >= 0 && log->gap)
        (void)resume(log);
    log->line[0] = '\n';
    return 1;
}

/* Writes the record in `line`. What can't be written is counted and told. */
static void end_record(tallymark_log *log, size_t length, uint64_t host_us, bool is_restart)
{
    if (log->file < 0)
        return;
    if (!add(log, &length, "}\n"))
        snprintf(log->why, sizeof log->why, "a record is too long");
    else if (!log->gap && put(log, length))
        return;
    lose(log, host_us, is_restart);
}

/* Events ---------------------------------------------------------------------------------------- */

/* Host time of a box time and its bound, in whole microseconds. */
static bool host_of(tallymark_log *log, uint64_t box_time_us, uint64_t *host_us, uint64_t *error_us)
{
    tallymark_instant instant;
    char before[sizeof log->box->text];
    memcpy(before, log->box->text, sizeof before);
    bool known = tallymark_to_host(log->box, box_time_us, &instant) == 0;
    memcpy(log->box->text, before, sizeof before); /* what it says is not for the program */
    if (known) {
        *host_us = instant.host_ns / 1000;
        *error_us = instant.bound_ns / 1000 + 2;
    }
    return known;
}

/* 0: not known. */
static void add_width(tallymark_log *log, size_t *length, uint32_t width_us)
{
    if (width_us)
        (void)add(log, length, ",\"width\":%" PRIu32, width_us);
    else
        (void)add(log, length, ",\"width\":null");
}

static void note_sent(tallymark_log *log, const tallymark_marker *marker, uint64_t host_us)
{
    size_t length = begin_record(log);
    (void)add(log, &length, "{\"sent\":%" PRIu32 ",\"code\":%u", marker->number, marker->code);
    if (marker->kind == TALLYMARK_SET)
        (void)add(log, &length, ",\"stays\":true");
    else
        add_width(log, &length, marker->width_us);
    (void)add(log, &length, ",\"host\":%" PRIu64, host_us);
    end_record(log, length, host_us, false);
}

/* `gap_us`: how long the box says that it waited for the gap. */
static void note_done(tallymark_log *log, const tallymark_marker *marker, uint32_t gap_us, uint64_t now)
{
    /* Where the clocks were not compared, its edge was between sending and now. */
    uint64_t sent_us = marker->sent_ns / 1000, host_us = sent_us + (now - sent_us) / 2;
    uint64_t error_us = (now - sent_us) / 2 + 1;
    if (marker->host_bound_ns != UINT32_MAX) {
        host_us = marker->host_ns / 1000;
        error_us = marker->host_bound_ns / 1000 + 2;
    }
    size_t length = begin_record(log);
    (void)add(log, &length,
              "{\"done\":%" PRIu32 ",\"box\":%" PRIu64 ",\"host\":%" PRIu64 ",\"error\":%" PRIu64,
              marker->number, marker->box_time_us, host_us, error_us);
    if (marker->cut_us != TALLYMARK_NONE_CUT)
        (void)add(log, &length, ",\"cut\":%" PRIu32, marker->cut_us);
    if (gap_us)
        (void)add(log, &length, ",\"delay\":%" PRIu32, gap_us);
    (void)add(log, &length, "%s", marker->no_edge ? ",\"no_edge\":true" : "");
    end_record(log, length, now, false);
}

static void note_not_done(tallymark_log *log, const tallymark_marker *marker, uint64_t now)
{
    bool is_refused = marker->outcome == TALLYMARK_REFUSED;
    size_t length = begin_record(log);
    (void)add(log, &length, "{\"%s\":%" PRIu32 ",\"why\":", is_refused ? "refused" : "unconfirmed",
              marker->number);
    (void)add_text(log, &length,
                   is_refused ? tallymark_reason(marker->reason) : tallymark_why_text(marker->why));
    if (is_refused && marker->reason == REASON_CANCELLED && marker->cut_us != TALLYMARK_NONE_CUT)
        (void)add(log, &length, ",\"cut\":%" PRIu32, marker->cut_us);
    end_record(log, length, now, false);
}

static void note_ahead(tallymark_log *log, const tallymark_marker *marker, uint64_t now)
{
    uint64_t host_us, error_us;
    if (!host_of(log, marker->at_us, &host_us, &error_us))
        return;
    size_t length = begin_record(log);
    (void)add(log, &length,
              "{\"ahead\":%" PRIu32 ",\"box\":%" PRIu64 ",\"host\":%" PRIu64 ",\"error\":%" PRIu64,
              marker->number, marker->at_us, host_us, error_us);
    end_record(log, length, now, false);
}

/* `"host":...,"error":...`, null where the clocks were not compared. */
static void add_host_of(tallymark_log *log, size_t *length, uint64_t box_time_us)
{
    uint64_t host_us, error_us;
    if (host_of(log, box_time_us, &host_us, &error_us))
        (void)add(log, length, ",\"host\":%" PRIu64 ",\"error\":%" PRIu64, host_us, error_us);
    else
        (void)add(log, length, ",\"host\":null,\"error\":null");
}

static void note_byte(tallymark_log *log, const tallymark_event *event, uint64_t now)
{
    tallymark_settings settings;
    tallymark_get_settings(log->box, &settings);
    size_t length = begin_record(log);
    (void)add(log, &length, "{\"byte\":%u", event->code);
    add_host_of(log, &length, event->box_time_us);
    (void)add(log, &length, ",\"box\":%" PRIu64, event->box_time_us);
    if (event->reason) {
        (void)add(log, &length, ",\"refused\":");
        (void)add_text(log, &length, tallymark_reason(event->reason));
    } else if (event->code == 0 || settings.byte_mode == BYTES_SET) {
        (void)add(log, &length, ",\"stays\":true");
    } else {
        add_width(log, &length, settings.width_us);
    }
    if (event->cut_us != TALLYMARK_NONE_CUT)
        (void)add(log, &length, ",\"cut\":%" PRIu32, event->cut_us);
    if (event->delay_us)
        (void)add(log, &length, ",\"delay\":%" PRIu32, event->delay_us);
    (void)add(log, &length, "%s", event->no_edge ? ",\"no_edge\":true" : "");
    end_record(log, length, now, false);
}

static const char *const causes[CAUSES] = {"unknown", "power", "reset pin", "watchdog", "brown-out",
                                           "asked", "unknown"};

static void note_event(void *user, const tallymark_event *event)
{
    tallymark_log *log = user;
    const tallymark_marker *marker = event->marker;
    uint64_t now = now_us();
    size_t length;
    if (marker && marker->kind == TALLYMARK_SEQUENCE)
        return; /* its start is no marker on the lines */
    switch (event->kind) {
    case TALLYMARK_EVENT_SENT:
        note_sent(log, marker, now);
        break;
    case TALLYMARK_EVENT_ACCEPTED:
        note_ahead(log, marker, now);
        break;
    case TALLYMARK_EVENT_ENDED:
        if (marker->outcome == TALLYMARK_DONE)
            note_done(log, marker, event->delay_us, now);
        else
            note_not_done(log, marker, now);
        break;
    case TALLYMARK_EVENT_BYTE:
        note_byte(log, event, now);
        break;
    case TALLYMARK_EVENT_STARTED:
        length = begin_record(log);
        (void)add(log, &length, "{\"restart\":\"%s\",\"host\":%" PRIu64,
                  causes[event->cause < CAUSES ? event->cause : 0], now);
        end_record(log, length, now, true);
        break;
    case TALLYMARK_EVENT_NOTICES_LOST:
        length = begin_record(log);
        (void)add(log, &length, "{\"notices_lost\":%" PRIu32 ",\"host\":%" PRIu64, event->count, now);
        end_record(log, length, now, false);
        break;
    case TALLYMARK_EVENT_HOLD_ENDED:
        length = begin_record(log);
        (void)add(log, &length, "{\"hold_ended\":%u,\"box\":%" PRIu64, event->code, event->box_time_us);
        add_host_of(log, &length, event->box_time_us);
        end_record(log, length, now, false);
        break;
    default:
        break;
    }
}

/* Beginning and end ----------------------------------------------------------------------------- */

/* How each probe is watched, from `probes` of the settings (section 6.3). Bits of a later version are off. */
static const char *light_probe(unsigned probes)
{
    switch (probes & 0x45) {
    case 0x01: return "level";
    case 0x41: return "steady";
    case 0x04: return "edge";
    default: return "off";
    }
}

static const char *sound_probe(unsigned probes)
{
    switch (probes & 0x0A) {
    case 0x02: return "level";
    case 0x08: return "edge";
    default: return "off";
    }
}

static const char *ttl_probe(unsigned probes)
{
    switch (probes & 0x30) {
    case 0x10: return "high";
    case 0x30: return "low";
    default: return "off";
    }
}

static const char *board_name(uint8_t board)
{
    static const char *const names[] = {"", "virtual", "nano", "pico"};
    return board < 4 ? names[board] : "";
}

/* Makes the header in `line`. Returns its length, 0 if it is too long. */
static size_t make_header(tallymark_log *log)
{
    static const char *const modes[] = {"off", "pulse", "set", "limited"};
    tallymark_identity who;
    tallymark_settings in_force;
    char start[48];
    size_t length = begin_record(log);
    tallymark_get_identity(log->box, &who);
    tallymark_get_settings(log->box, &in_force);
    uint64_t host_us = now_us();
    write_date(start, sizeof start);
    bool fits = add(log, &length, "{\"marker_log\":1,\"start\":\"%s\",\"host\":%" PRIu64
                    ",\"box\":{\"serial\":\"", start, host_us);
    for (int k = 0; k < 8; k++)
        fits = fits && add(log, &length, "%02X", who.serial[k]);
    fits = fits && add(log, &length, "\",\"name\":") && add_text(log, &length, who.name)
        && add(log, &length, ",\"board\":\"%s\",\"firmware\":\"%u.%u.%u\",\"protocol\":\"%u.%u\"}",
               board_name(who.board), who.firmware[0], who.firmware[1], who.firmware[2], who.major,
               who.minor)
        && add(log, &length, ",\"settings\":{\"name\":") && add_text(log, &length, in_force.name)
        && add(log, &length, ",\"width_us\":%" PRIu32 ",\"gap_us\":%" PRIu32 ",\"hold_limit_us\":%" PRIu32
               ",\"byte_baud\":%" PRIu32 ",\"lines\":%u", in_force.width_us, in_force.gap_us,
               in_force.hold_limit_us, in_force.byte_baud, in_force.lines)
        && add(log, &length, ",\"idle\":\"%s\",\"overlap\":\"%s\",\"byte_mode\":\"%s\"",
               in_force.idle_high ? "high" : "low", in_force.overlap ? "refuse" : "cut",
               modes[in_force.byte_mode & 3])
        && add(log, &length, ",\"strobe\":%u,\"strobe_lead_us\":%u,\"strobe_hold_us\":%u",
               in_force.strobe, in_force.strobe_lead_us, in_force.strobe_hold_us)
        && add(log, &length, ",\"light\":\"%s\",\"sound\":\"%s\",\"ttl\":\"%s\"",
               light_probe(in_force.probes), sound_probe(in_force.probes), ttl_probe(in_force.probes))
        && add(log, &length, ",\"light_threshold\":%u,\"light_hysteresis\":%u"
                             ",\"sound_threshold\":%u,\"sound_hysteresis\":%u}",
               in_force.light_threshold, in_force.light_hysteresis, in_force.sound_threshold,
               in_force.sound_hysteresis);
    if (log->names) {
        bool first = true;
        fits = fits && add(log, &length, ",\"plan\":{\"name\":null,\"digest\":null,\"events\":{");
        for (int code = 1; code < 256; code++) {
            if (!log->names[code])
                continue;
            fits = fits && add(log, &length, "%s\"%d\":", first ? "" : ",", code)
                && add_text(log, &length, log->names[code]);
            first = false;
        }
        fits = fits && add(log, &length, "}}}\n");
    } else {
        fits = fits && add(log, &length, ",\"plan\":null}\n");
    }
    return fits ? length : 0;
}

static int no_log(tallymark_log *log, const char *path, const char *why)
{
    snprintf(log->text, sizeof log->text, "%.300s: %s Nothing was sent.", path, why);
    return TALLYMARK_ERROR_BAD_VALUE;
}

int tallymark_log_begin(tallymark_log *log, tallymark *box, const char *path, const char *const *names,
                        tallymark_log_tell tell_it, void *user)
{
    char why[240];
    memset(log, 0, sizeof *log);
    log->box = box;
    log->names = names;
    log->tell = tell_it;
    log->user = user;
    log->file = open_new(path);
    if (log->file < 0) {
        if (errno == EEXIST)
            return no_log(log, path, "exists already, and a marker log is never overwritten. Choose "
                                     "another name.");
        snprintf(why, sizeof why, "can't be created (%s).", strerror(errno));
        return no_log(log, path, why);
    }
    if (lock_file(log->file) != 0)
        say(log, "This file system can't keep other programs from writing the same marker log. Make sure "
                  "that none does, or choose another disk.");
    size_t length = make_header(log);
    if (!length || !put(log, length) || log->torn) {
        close_file(log->file);
        log->file = -1;
        remove(path); /* so that the same name can be used again */
        snprintf(why, sizeof why, "the marker log can't be written (%s). Free some space or choose another "
                 "disk, then start again.", length ? log->why : "the names of its events are too long");
        return no_log(log, path, why);
    }
    tallymark_on_event(box, note_event, log);
    return 0;
}

void tallymark_log_note(tallymark_log *log, const char *text)
{
    uint64_t now = now_us();
    size_t length = begin_record(log);
    bool fits = add(log, &length, "{\"note\":") && add_text(log, &length, text);
    if (!fits)
        length = sizeof log->line; /* too long: lost, and told */
    (void)add(log, &length, ",\"host\":%" PRIu64, now);
    end_record(log, length, now, false);
}

int tallymark_log_end(tallymark_log *log)
{
    if (log->file < 0)
        return 0;
    uint64_t now = now_us();
    size_t length = begin_record(log);
    (void)add(log, &length, "{\"end\":%" PRIu64, now);
    end_record(log, length, now, false);
    if (log->box->happened == note_event && log->box->happened_user == log)
        tallymark_on_event(log->box, NULL, NULL);
    bool is_safe = sync_file(log->file) == 0 || errno == EINVAL; /* a device takes none */
    if (!is_safe && !log->lost)
        snprintf(log->why, sizeof log->why, "%s", strerror(errno));
    close_file(log->file);
    log->file = -1;
    if (log->lost) {
        snprintf(log->text, sizeof log->text,
                 "The marker log is incomplete: %" PRIu32 " of its records could not be written (%s). "
                 "Markers went to the box all the same, so the recording may hold some that the log lacks. "
                 "Keep the recording, and free some space or choose another disk before the next run.",
                 log->lost, log->why);
        return (int)log->lost;
    }
    if (!is_safe) {
        snprintf(log->text, sizeof log->text,
                 "The marker log may not be on the disk (%s). Check whether it is complete, and free some "
                 "space or choose another disk before you go on.", log->why);
        return TALLYMARK_ERROR_BAD_VALUE;
    }
    return 0;
}

const char *tallymark_log_text(const tallymark_log *log)
{
    return log->text;
}

size_t tallymark_log_size(void)
{
    return sizeof(tallymark_log);
}
