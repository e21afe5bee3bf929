/* Tallymark from C: event markers through a marker box, in one header and one source file.
 *
 *     static tallymark box;
 *
 *     if (tallymark_open(&box, "/dev/ttyACM0") < 0)
 *         fail(tallymark_text(&box));
 *     tallymark_pulse(&box, 17);                    the ferry appears at the left
 *     ...
 *     if (tallymark_wait_all(&box) != 0)            how many markers were not done
 *         warn(tallymark_text(&box));
 *     tallymark_close(&box);
 *
 * Markers. `tallymark_pulse` and its like hand a frame to the system and return: they give the
 * marker's number, counted from 1, and its outcome is asked for later. A marker is sent once. When
 * its answer does not come, the box is asked what became of it; nothing is ever sent again.
 *
 * No threads. The library acts only while you call it: what the box says is taken in by every
 * function that has a box as its first argument and may return an error. A program that calls
 * nothing for a long time loses nothing but knowledge: call `tallymark_poll` now and then, between
 * two screens for instance. One box must not be used by two threads at the same time.
 *
 * Sessions. Opening begins a session with a random number. If the box starts again, or another
 * program takes it over the same connection, that is found out and told: the first begins the
 * session again, the second ends the connection.
 *
 * No allocation. The caller owns the box, about 60 KB: make it static, or take
 * `tallymark_size()` bytes, aligned as for malloc.
 *
 * Errors. A negative number is one of `tallymark_error`, called by its last words below.
 * `tallymark_text` then says what happened, what it means for the recording, and what to do next,
 * in English, for the screen.
 *
 * Times of the box (`..._us`) are microseconds since the box started. Times of the computer
 * (`..._ns`) are nanoseconds of `tallymark_now_ns`.
 *
 * Where a table of the protocol is meant, its name stands here as in protocol/PROTOCOL.md.
 */
#ifndef TALLYMARK_H
#define TALLYMARK_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#if defined(_WIN32) && defined(TALLYMARK_DLL)
#define TALLYMARK_API __declspec(dllexport)
#else
#define TALLYMARK_API
#endif

/* How many of the newest markers `tallymark_marker_of` can report. */
#define TALLYMARK_KEPT 1024

/* `cut_us` of a marker that cut no earlier pulse, or of which that is not known. */
#define TALLYMARK_NONE_CUT 0xFFFFFFFFu

/* How many markers may wait in the box for their time, if it holds as many. */
#define TALLYMARK_AHEAD_MOST 64
#define TALLYMARK_CLOCK_SAMPLES 32
#define TALLYMARK_CLOCK_NEWEST 8

typedef enum {
    TALLYMARK_ERROR_BAD_VALUE = -1,     /* an argument out of range; nothing was sent */
    TALLYMARK_ERROR_NO_PORT = -2,       /* no such port, or nobody listens there */
    TALLYMARK_ERROR_BUSY = -3,          /* another program has the port open */
    TALLYMARK_ERROR_DENIED = -4,        /* this user may not open the port */
    TALLYMARK_ERROR_NOT_A_BOX = -5,     /* what is there doesn't speak the protocol */
    TALLYMARK_ERROR_VERSION = -6,       /* the box speaks another major version */
    TALLYMARK_ERROR_GONE = -7,          /* the connection was lost, or none is open */
    TALLYMARK_ERROR_REFUSED = -8,       /* the box refused a request and did nothing */
    TALLYMARK_ERROR_UNCONFIRMED = -9,   /* nobody knows whether it went out */
    TALLYMARK_ERROR_NO_ANSWER = -10,    /* a question was not answered; no marker is affected */
    TALLYMARK_ERROR_RESTARTED = -11,    /* the box restarted in the meantime */
    TALLYMARK_ERROR_PLAYING = -12,      /* a sequence plays */
    TALLYMARK_ERROR_NOT_IDLE = -13      /* a pulse is out, or a code is held */
} tallymark_error;

typedef enum {
    TALLYMARK_OPEN = 0,      /* the answer is still to come; of one that was accepted, its edge */
    TALLYMARK_DONE = 1,      /* it went out at `box_time_us` */
    TALLYMARK_REFUSED = 2,   /* the box refused it: it did not go out; `reason` says why */
    TALLYMARK_UNCONFIRMED = 3 /* it may or may not have gone out; `why` says why */
} tallymark_outcome;

/* Why a marker is unconfirmed. */
typedef enum {
    TALLYMARK_WHY_UNKNOWN = 1, /* the box does not know it: most likely it never arrived */
    TALLYMARK_WHY_SILENT,      /* the box did not answer when it was asked */
    TALLYMARK_WHY_FORGOTTEN,   /* too many requests followed for the box to remember it */
    TALLYMARK_WHY_RESTARTED,   /* the box started again */
    TALLYMARK_WHY_GONE,        /* the connection was lost */
    TALLYMARK_WHY_CLOSED,      /* the box was closed before the answer came */
    TALLYMARK_WHY_TAKEN,       /* another program has begun to use the box */
    TALLYMARK_WHY_OTHER        /* the box told the edge of another marker by its number */
} tallymark_why;

typedef struct {
    uint32_t number;      /* from 1, in the order of sending */
    uint8_t code;         /* 0 to 255; 0 for the start of a sequence */
    uint8_t tag;          /* the tag of its request, 1 to 255 */
    uint8_t kind;         /* tallymark_kind */
    uint8_t outcome;      /* tallymark_outcome */
    uint8_t reason;       /* REFUSED: the reason for the refusal, section 4.4 */
    uint8_t why;          /* UNCONFIRMED: tallymark_why */
    uint8_t by_fate;      /* 1: its answer was lost, and the box was asked for its fate */
    uint8_t has_detail;   /* 1: `detail` belongs to `reason`; 0 if by_fate */
    uint8_t no_edge;      /* 1: the lines had the levels of this code already, so that none of them
                             changed: the recording shows no new marker */
    uint32_t detail;      /* section 4.4 */
    uint32_t cut_us;      /* how long the earlier pulse lasted that it cut, or NONE_CUT; also of
                             one that was cancelled (reason 19) */
    uint32_t delay_us;    /* how long it waited in the box for the gap; of a marker ahead, how much
                             later than asked it went out, because it came too late */
    uint32_t width_us;    /* of a pulse: its own, or that of the settings; 0: not known, as the box has
                             started again before its answer, with the settings that it keeps */
    uint32_t held_back_us;/* how long it waited in this computer, because it did not fit into the
                             box's window, the box had started again, or the end of an earlier marker
                             ahead had to be asked for; 0 if sent at once */
    uint64_t sent_ns;     /* when its frame was handed to the system */
    uint64_t box_time_us; /* DONE: its edge on the lines; REFUSED, if by_fate: the refusal */
    uint64_t at_us;       /* of a marker ahead: the box time that was asked for; 0 for others */
    uint32_t ahead_number;/* its number in the box, once that has accepted it; 0 before */
    uint32_t host_bound_ns; /* DONE: how far `host_ns` may be wrong, to either side; UINT32_MAX: not
                               known */
    uint64_t host_ns;     /* DONE: its edge, as a time of `tallymark_now_ns` */
} tallymark_marker;

typedef enum { TALLYMARK_PULSE, TALLYMARK_SET, TALLYMARK_SEQUENCE } tallymark_kind;

/* When a marker ahead goes out. One of the first three is given, the others are 0. */
typedef struct {
    uint64_t at_ns;       /* a time of `tallymark_now_ns` */
    uint64_t after_us;    /* so long from now */
    uint64_t at_us;       /* a box time */
    uint32_t width_us;    /* of a pulse; 0: that of the settings */
    uint32_t late_us;     /* how much later it may go out if it comes too late; 0: it is refused then */
    uint32_t bound_us;    /* largest error of the box time that you can use; 0: any */
} tallymark_ahead;

/* A time on one clock as a time on the other one, and how far it may be wrong to either side. */
typedef struct {
    uint64_t box_time_us, host_ns, bound_ns;
} tallymark_instant;

/* What happened, for a log: `tallymark_on_event`. */
typedef enum {
    TALLYMARK_EVENT_SENT = 1,     /* `marker` is about to be handed to the port */
    TALLYMARK_EVENT_ACCEPTED,     /* the box will put `marker` out at its `at_us` */
    TALLYMARK_EVENT_ENDED,        /* `marker` is done, refused or unconfirmed */
    TALLYMARK_EVENT_STARTED,      /* the box has started again: `cause`; its time began at 0 */
    TALLYMARK_EVENT_NOTICES_LOST, /* `count` messages of the box did not arrive */
    TALLYMARK_EVENT_HOLD_ENDED,   /* the box took `code` to idle at `box_time_us` */
    TALLYMARK_EVENT_BYTE          /* the byte `code` came in on the byte input */
} tallymark_event_kind;

typedef struct {
    const tallymark_marker *marker; /* NULL where it is about none */
    uint64_t box_time_us;
    uint32_t count, cut_us;
    uint32_t delay_us;              /* of a marker too: as the box told it, which knows of none where one
                                       ahead came after its time */
    uint8_t kind;                   /* tallymark_event_kind */
    uint8_t cause;                  /* table `started`; 6: not known */
    uint8_t code;
    uint8_t reason;                 /* BYTE: why it was refused; 0: it went out */
    uint8_t no_edge;
} tallymark_event;

/* Counts since `tallymark_open`. */
typedef struct {
    uint32_t sent, open, done, refused, unconfirmed; /* markers */
    uint32_t held_back;     /* markers that had to wait in this computer */
    uint32_t frames_broken; /* broken frames that came from the box */
    uint32_t strays;        /* answers that nobody waited for (any more), notices that came twice,
                               and messages that are too short */
    uint32_t starts;        /* how often the box started again */
    uint32_t notices_lost;  /* notices that did not arrive: the counts below may lack as many */
    uint32_t holds_ended;   /* held codes that the box took to idle by its hold limit */
    uint32_t byte_markers;  /* bytes that came in on the box's byte input */
} tallymark_totals;

typedef struct {
    uint8_t major, minor;   /* protocol version */
    uint8_t firmware[3];
    uint8_t board;          /* 1 virtual, 2 nano, 3 pico */
    uint8_t serial[8];
    uint8_t cause;          /* why it started last: table `started` */
    uint8_t newest_tag;
    uint8_t history;
    uint8_t last_notice;    /* number of its newest notice */
    uint16_t capabilities;  /* bits of the table `identity` */
    uint16_t window;        /* bytes */
    uint16_t steps;         /* longest sequence */
    uint16_t edges;
    uint32_t least_width_us, longest_width_us;
    uint32_t session;       /* that was in force when the box was identified; 0: none */
    char name[17];          /* with a closing zero */
    uint8_t places;         /* how many markers ahead it holds; 0: it can't do that */
    uint16_t least_lead_us; /* how long before its time a marker ahead has to reach it */
} tallymark_identity;

typedef struct {
    uint32_t kept;          /* how often settings were kept in this box */
    uint32_t width_us, gap_us, hold_limit_us, byte_baud;
    uint8_t origin;         /* what it started with or kept last: 0 factory values, 1 or 2 kept
                               settings, 3 factory values because those kept are of another version
                               of the firmware */
    uint8_t lines;          /* lines in use: bit n for line n */
    uint8_t idle_high;      /* 1: idle level high */
    uint8_t overlap;        /* 0 cut, 1 refuse */
    uint8_t byte_mode;      /* 0 off, 1 pulse, 2 set, 3 limited */
    uint8_t strobe;         /* bit of the line that says when a code is valid (section 6.2); 0: none.
                               A code that has it is refused (reason 6) */
    uint16_t strobe_lead_us, strobe_hold_us; /* from the code to the strobe, and from the strobe's end
                                                to the code's */
    uint8_t probes;         /* what is watched besides the readback, in bits (section 6.3) */
    uint16_t light_threshold, light_hysteresis, sound_threshold, sound_hysteresis; /* 65,535: full scale */
    char name[17];
} tallymark_settings;

typedef struct {
    uint64_t box_time_us;
    uint8_t outputs, readback; /* levels, not codes: bit n is 1 where line n is high */
} tallymark_levels;

/* The box's time lies between the computer's two. */
typedef struct {
    uint64_t box_time_us, sent_ns, received_ns;
} tallymark_clock;

typedef struct {
    uint64_t box_time_us;
    uint32_t frames, frames_broken, refused, markers, bytes, edges_lost, messages_lost, input_lost;
    uint32_t notices;
} tallymark_counters;

typedef struct {
    uint64_t box_time_us;
    uint8_t levels;         /* of the readback after the change: bit n is 1 where line n is high */
} tallymark_edge;

typedef struct {
    uint32_t hold_us; /* how long the code stays; the limits are those of a width */
    uint8_t code;     /* 0 to 255 */
} tallymark_step;

typedef enum {
    TALLYMARK_SEQUENCE_EMPTY,
    TALLYMARK_SEQUENCE_LOADED,
    TALLYMARK_SEQUENCE_PLAYING,
    TALLYMARK_SEQUENCE_ENDED,
    TALLYMARK_SEQUENCE_STOPPED,
    TALLYMARK_SEQUENCE_WAITING /* for its time */
} tallymark_sequence_state;

typedef struct {
    uint64_t started_us, ended_us; /* box time of the first edge, and when the lines went to idle */
    uint32_t repeats, played;      /* `played` counts steps begun */
    uint16_t steps;
    uint8_t state;                 /* tallymark_sequence_state */
} tallymark_sequence_info;

/* What the self-test says of a line. `other` is the other line that it has to do with. */
typedef enum {
    TALLYMARK_LINE_NOT_USED,
    TALLYMARK_LINE_GOOD,
    TALLYMARK_LINE_ALWAYS_LOW,
    TALLYMARK_LINE_ALWAYS_HIGH,
    TALLYMARK_LINE_INVERTED,
    TALLYMARK_LINE_SHOWS_OTHER,      /* its input follows line `other` instead: swapped */
    TALLYMARK_LINE_HIGH_WITH_OTHER,  /* its input is high as well when only line `other` is */
    TALLYMARK_LINE_LOW_WITH_OTHER,   /* its input is low as well when only line `other` is */
    TALLYMARK_LINE_UNCLEAR
} tallymark_verdict;

typedef struct {
    uint16_t tried, right;  /* codes that were driven, and that came back as they were driven */
    uint8_t verdict[8];     /* tallymark_verdict of each line */
    uint8_t other[8];
    char text[320];         /* one sentence for the screen */
} tallymark_selftest_result;

typedef struct tallymark tallymark;

/* Opening and closing ------------------------------------------------------------------------- */

/* Opens the box at a serial port (`/dev/ttyACM0`, `COM3`) or at `socket://HOST:PORT`, for this
 * program alone where the system can do that. May take six seconds: some boards start anew when
 * their port is opened. Changes neither lines nor settings: a code that is held, a sequence that
 * plays and a capture go on. Returns 0, and then `tallymark_text` is empty or a warning about the
 * box's settings; NO_PORT, BUSY, DENIED, NOT_A_BOX, VERSION, GONE, NO_ANSWER. */
TALLYMARK_API int tallymark_open(tallymark *box, const char *where);

/* Takes back the markers ahead that still wait for their time: `tallymark_wait_all` first, if they are
 * wanted. Waits for open markers, a second at most, and closes; those still open then are unconfirmed.
 * A code that is held stays. Returns as `tallymark_wait_all`. May be called twice, and after
 * an open that failed. */
TALLYMARK_API int tallymark_close(tallymark *box);

/* Markers ------------------------------------------------------------------------------------- */

/* Puts `code` (1 to 255) out now, for the width of the settings. Returns the marker's number, above
 * 0, at once, unless the box's window is full: then it waits and tells so in `held_back_us`.
 * BAD_VALUE, GONE; RESTARTED if the box started again meanwhile, and the marker was not sent; after
 * the box started again also NO_ANSWER, NOT_A_BOX, VERSION. */
TALLYMARK_API int tallymark_pulse(tallymark *box, int code);

/* The same with a width of its own. The box refuses one that it can't do. */
TALLYMARK_API int tallymark_pulse_for(tallymark *box, int code, uint32_t width_us);

/* Puts `code` (0 to 255) out until the next marker; 0 is idle. Otherwise as `tallymark_pulse`. */
TALLYMARK_API int tallymark_set(tallymark *box, int code);

/* The same with a box time after which the marker is not wanted any more: then the box refuses it
 * (reason 22) instead of putting it out late. A wait for the gap counts. `expiry_us` is at most 17
 * minutes before or after the box's time now (`tallymark_read_clock`). `width_us` 0 is the width of
 * the settings. */
TALLYMARK_API int tallymark_pulse_until(tallymark *box, int code, uint32_t width_us,
                                        uint64_t expiry_us);
TALLYMARK_API int tallymark_set_until(tallymark *box, int code, uint64_t expiry_us);

/* A marker ahead of its time: the box accepts it now and its own timer puts it out, to the microsecond,
 * whatever this computer does meanwhile. `when` may be 30 minutes away, and has to leave the box its
 * `least_lead_us` and the way there. The marker is open until its edge is told; then `host_ns` and
 * `host_bound_ns` say when it was on the computer's clock. A host time is worth what the comparison of
 * the clocks gives: if the box was not heard for a second, it is asked for its time first, which takes
 * one round trip. A marker that is in the way of another, or comes too late, is refused (reasons 23, 22).
 * Returns as `tallymark_pulse`; BAD_VALUE also where the clocks are not known to agree within
 * `bound_us`, and where as many wait as the box holds. */
TALLYMARK_API int tallymark_pulse_ahead(tallymark *box, int code, const tallymark_ahead *when);
TALLYMARK_API int tallymark_set_ahead(tallymark *box, int code, const tallymark_ahead *when);

/* Takes back a marker ahead, or with number 0 all of them, unless they are out. Returns how many were
 * taken back: they are refused (reason 19). BAD_VALUE, NO_ANSWER, RESTARTED, GONE. */
TALLYMARK_API int tallymark_cancel(tallymark *box, int number);

/* Compares the clocks by some round trips; 8 are enough. Returns 0; NO_ANSWER, RESTARTED, GONE. Every
 * answered marker compares them too. The bound of a time grows with its distance from the last
 * comparison: by 1 % of it just after opening, by less the longer the box is open. */
TALLYMARK_API int tallymark_sync_clock(tallymark *box, int rounds);

/* Turns a box time into host time, or a host time into box time, by what is known now. Returns 0;
 * BAD_VALUE if the clocks were not compared since the box started. */
TALLYMARK_API int tallymark_to_host(tallymark *box, uint64_t box_time_us, tallymark_instant *instant);
TALLYMARK_API int tallymark_to_box(tallymark *box, uint64_t host_ns, tallymark_instant *instant);

/* Waits until a marker is not open any more. Returns its outcome, above 0; BAD_VALUE for one that
 * was never sent or is not kept any more. That takes the time of the answer, of a marker ahead until its
 * edge; without an answer some seconds, and the gap on top. `marker` may be NULL. */
TALLYMARK_API int tallymark_wait(tallymark *box, int number, tallymark_marker *marker);

/* Waits for all open markers. Returns how many markers ended otherwise than done since the last
 * call of this function; `tallymark_text` then lists them. */
TALLYMARK_API int tallymark_wait_all(tallymark *box);

/* Takes in what came from the box, waiting up to `wait_ms` for something to come. Returns how many
 * markers are open; GONE and others as `tallymark_pulse`. */
TALLYMARK_API int tallymark_poll(tallymark *box, uint32_t wait_ms);

/* What is known of a marker now, taking nothing in. Returns its outcome, 0 if it is open;
 * BAD_VALUE. Works after a lost connection, and after close. */
TALLYMARK_API int tallymark_marker_of(tallymark *box, int number, tallymark_marker *marker);

/* Calls `ended(user, marker)` for each marker whose outcome becomes known, inside of whatever
 * function takes it in; for a log that misses none. It must not call the library. Call after
 * `tallymark_open`. NULL: nothing is called any more. */
typedef void (*tallymark_ended)(void *user, const tallymark_marker *marker);
TALLYMARK_API void tallymark_on_end(tallymark *box, tallymark_ended ended, void *user);

/* Calls `happened(user, event)` for everything that a marker log holds, inside of whatever function
 * learns of it: of a marker before its frame is handed to the port. It may call `tallymark_to_host`, and
 * nothing else of the library. `tallymark_log.h` uses it. Call after `tallymark_open`. */
typedef void (*tallymark_happened)(void *user, const tallymark_event *event);
TALLYMARK_API void tallymark_on_event(tallymark *box, tallymark_happened happened, void *user);

/* Writes what became of a marker in words: at most `size` bytes with the closing zero. Returns the
 * length of the whole text, as snprintf does. */
TALLYMARK_API int tallymark_describe(const tallymark_marker *marker, char *text, size_t size);

/* Sequences ----------------------------------------------------------------------------------- */

/* Loads steps and plays them `repeats` times (0: until stopped), timed by the box alone. The lines
 * have to be idle. Returns when the first step is out: the number of the marker that the start is.
 * BAD_VALUE, REFUSED, UNCONFIRMED, NO_ANSWER, RESTARTED, GONE. */
TALLYMARK_API int tallymark_sequence(tallymark *box, const tallymark_step *steps, size_t count,
                                     uint32_t repeats);

/* Loads steps and has the box start them at a time to come, by its own timer: in the microsecond that was
 * asked for or not at all, so `late_us` and `width_us` of `when` are 0. `after_us` counts from when the
 * steps are loaded; a time of the other kinds has to leave room for that. Returns when the box has accepted
 * it: the number of the marker that the start is. That is open until the first edge is told, and
 * `tallymark_cancel`, `tallymark_sequence_stop` and closing take it back. While it waits, the box refuses
 * markers ahead (reason 23), and markers that are in its way. As `tallymark_sequence`; REFUSED also where it
 * comes too late (reason 22); BAD_VALUE also where the box can't do that (bit 8 of its capabilities), and as
 * `tallymark_pulse_ahead`. */
TALLYMARK_API int tallymark_sequence_ahead(tallymark *box, const tallymark_step *steps, size_t count,
                                           uint32_t repeats, const tallymark_ahead *when);

/* Waits until the sequence is over. Returns 0; PLAYING if it still plays, or waits for its time, after
 * `wait_ms`; REFUSED if it was not started, or its start was taken back; RESTARTED if the box started
 * again; NO_ANSWER, GONE. `info` may be NULL, here and below. */
TALLYMARK_API int tallymark_sequence_wait(tallymark *box, uint32_t wait_ms,
                                          tallymark_sequence_info *info);

/* Where the sequence is. Returns 0; NO_ANSWER, GONE. */
TALLYMARK_API int tallymark_sequence_look(tallymark *box, tallymark_sequence_info *info);

/* Stops it: the lines go to idle at once; one that waits for its time is taken back. Returns 0, also if none
 * plays; NO_ANSWER, GONE. */
TALLYMARK_API int tallymark_sequence_stop(tallymark *box, tallymark_sequence_info *info);

/* Capture -------------------------------------------------------------------------------------- */

/* Begins a capture: the box keeps the changes of the readback, up to `edges` of its identity, until
 * they are fetched. A capture that runs is dropped. The first entry is the level at the start.
 * Returns 0; NO_ANSWER, RESTARTED, GONE. */
TALLYMARK_API int tallymark_capture_start(tallymark *box);

/* Fetches the edges since the last fetch, oldest first, `most` at most. Returns how many; 0 if there
 * are none now. `lost` gets how many changes are missing since the start, at least: the box had no
 * room for them; may be NULL. A loss is told with the next edge after it, or after the stop. Nothing
 * is lost on the link: what does not arrive is fetched again. BAD_VALUE, NO_ANSWER, GONE; RESTARTED
 * if the box has started again since the capture began, also if it was never begun. */
TALLYMARK_API int tallymark_capture_fetch(tallymark *box, tallymark_edge *edges, int most,
                                          uint32_t *lost);

/* Ends a capture; its edges can still be fetched. Returns 0; NO_ANSWER, RESTARTED, GONE. */
TALLYMARK_API int tallymark_capture_stop(tallymark *box);

/* Questions: return 0; NO_ANSWER, RESTARTED, GONE ---------------------------------------------- */

TALLYMARK_API int tallymark_read_levels(tallymark *box, tallymark_levels *levels);
TALLYMARK_API int tallymark_read_clock(tallymark *box, tallymark_clock *clock);
TALLYMARK_API int tallymark_read_counters(tallymark *box, tallymark_counters *counters);
TALLYMARK_API int tallymark_read_settings(tallymark *box, tallymark_settings *settings);

/* Drives every code of the lines in use, with the loopback in place, and compares what comes back.
 * Every line moves, so nothing that takes markers may record meanwhile. The codes are markers and
 * are counted. The lines have to be idle before, and are idle afterwards whatever happens. Needs
 * about a second, more if a gap is set. Returns 0 if all came back right, 1 if not; PLAYING,
 * NOT_IDLE, UNCONFIRMED, NO_ANSWER, RESTARTED, GONE; REFUSED also where the settings have a strobe, whose
 * line no code can drive: then no line was moved, and 'tallymark selftest' tests all of them. */
TALLYMARK_API int tallymark_selftest(tallymark *box, tallymark_selftest_result *result);

/* The label of a reason for a refusal, section 4.4, such as "late". */
TALLYMARK_API const char *tallymark_reason(unsigned reason);

/* Why a marker is unconfirmed, in words. */
TALLYMARK_API const char *tallymark_why_text(unsigned why);

/* What the library knows, without asking ------------------------------------------------------- */

/* What the last function that returned an error has to say, or a warning after `tallymark_open`.
 * Valid until the next call. */
TALLYMARK_API const char *tallymark_text(const tallymark *box);

TALLYMARK_API void tallymark_get_totals(const tallymark *box, tallymark_totals *totals);
TALLYMARK_API void tallymark_get_identity(const tallymark *box, tallymark_identity *identity);
TALLYMARK_API void tallymark_get_settings(const tallymark *box, tallymark_settings *settings);

/* Nanoseconds of a clock of the computer that only goes on (CLOCK_MONOTONIC_RAW on Linux and macOS, which
 * no time service speeds up or slows down; elsewhere CLOCK_MONOTONIC; on Windows the performance
 * counter). */
TALLYMARK_API uint64_t tallymark_now_ns(void);

/* sizeof(tallymark), for programs that can't read this header. */
TALLYMARK_API size_t tallymark_size(void);

/* The box itself. Its fields are the library's own: they may change with any version. ---------- */

struct tallymark_request {     /* a request that is on its way, by its tag */
    uint64_t due_ns;           /* when its answer is overdue */
    uint64_t sent_ns;
    uint64_t after_us;         /* newest box time known when it was sent */
    uint32_t number;           /* of its marker */
    uint8_t type;              /* 0: none */
    uint8_t wire;              /* bytes that it takes of the window */
    uint8_t state;             /* of a marker: sent, asked for its fate, or not known to the box */
    uint8_t waits;             /* 1: a fate said that it waits for its gap */
    uint8_t tries;             /* how often its fate was asked for */
};

struct tallymark_waiting {     /* a marker that the box has accepted for a later time */
    uint64_t due_ns;           /* when its end is overdue */
    uint64_t after_us;         /* newest box time known when it was sent */
    tallymark_marker marker;
};

struct tallymark_sample {      /* a round trip: the box's time lay between the computer's two */
    uint64_t sent_ns, box_us, received_ns;
};

struct tallymark_estimate {    /* box time and host time */
    struct tallymark_sample samples[TALLYMARK_CLOCK_SAMPLES + 1];
    struct tallymark_sample newest[TALLYMARK_CLOCK_NEWEST]; /* each slower than the one before it */
    uint32_t count, newest_count;
    uint64_t spacing_ns;
    double wander;             /* how far the rate may be from its mean, as a fraction */
    double low, high;          /* rates, host time per box time, that all pairs of samples allow */
};

struct tallymark {
    intptr_t port;             /* descriptor, handle or socket */
    uint8_t is_socket;
    uint8_t state;             /* 0 closed, 1 open, 2 broken */
    uint8_t is_known;          /* identified since it started last */
    char where[256];
    char text[1024];

    uint8_t stuffed[66];       /* a frame on its way in */
    uint8_t stuffed_length;

    tallymark_identity identity;
    tallymark_settings settings;
    tallymark_totals totals;
    uint64_t newest_us;        /* newest box time that was reported */
    uint64_t newest_ns;        /* when that came */
    uint64_t heard_ns;         /* when the last good frame came */
    uint32_t bytes_in;
    uint32_t starts_heard;

    uint32_t session;          /* its number */
    uint8_t begins_again;      /* 1: the box has no session any more, or may have none */
    uint8_t doubt;             /* 1: which session is in force is to be asked */
    uint8_t doubt_tries;
    uint8_t newest_notice;     /* its number; 0: not known */
    uint8_t in_session;        /* 1: the newest message said that a session is in force */
    uint32_t notices_missing;  /* reported as lost once the session is known to be in force */
    uint32_t notices_counted;  /* that came or are missing since the box was identified */
    int64_t notices_before;    /* the box's own count at that time; -1: not known */

    struct tallymark_request requests[256];
    uint32_t in_flight;        /* bytes of the window that are taken */
    uint32_t requests_open, loads_open;
    uint8_t last_tag, oldest_tag;
    uint8_t unanswered;        /* newest tags without any answer; 255: or more */
    int load_error;

    uint8_t aside_tag;         /* of a question that the library asks by itself; 0: none */
    uint8_t aside_of;          /* the tag whose fate is asked for; 0: the session is, or ... */
    uint32_t aside_ahead;      /* ... the fate of the accepted marker with this number */
    struct {                   /* any other question that is on its way */
        uint8_t tag;           /* 0: none */
        uint8_t type, answer, answer_length; /* the least length */
        uint8_t length;
        int result;            /* 0, or a tallymark_error */
        uint64_t received_ns;
        uint8_t body[60];
    } query;

    uint32_t capture_next;     /* number of the entry that comes next */
    uint32_t capture_lost;
    uint32_t capture_starts;   /* starts of the box when it began, plus 1; 0: it never did */
    uint32_t sequences_ended;
    struct tallymark_estimate clock;
    struct tallymark_waiting waiting[TALLYMARK_AHEAD_MOST];
    uint32_t waiting_count;
    uint32_t newest_ahead;     /* number of the marker that the box accepted last; 0: none */
    uint32_t ahead_asked;      /* markers ahead that the box has not answered yet */
    uint32_t taken_back;       /* accepted markers that were refused afterwards */
    uint8_t ahead_tries;       /* questions for their fate without an answer, in a row */
    uint32_t told_not_done;    /* markers that wait_all has reported */
    uint32_t told_number;      /* newest marker at that time */
    tallymark_ended ended;
    void *user;
    tallymark_happened happened;
    void *happened_user;
    tallymark_marker markers[TALLYMARK_KEPT];
};

#ifdef __cplusplus
}
#endif
#endif
