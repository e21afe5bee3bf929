/* A marker log: what was sent, when, and what the box answered, as protocol/MARKERLOG.md has it. The
 * command `tallymark check` compares it with the recording, and `tallymark log` with a plan.
 *
 * Each record is in the hands of the system before the program goes on: of a marker, before its frame is
 * handed to the port. So a program that is killed has sent nothing that is not in its log. Markers go out
 * also where the log can't be written: `tell` says so at once, and the log itself, as soon as it can be
 * written again. Times are in microseconds of `tallymark_now_ns`. */
#ifndef TALLYMARK_LOG_H
#define TALLYMARK_LOG_H

#include "tallymark.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Called with a sentence when a record is lost, and when records can be written again; on the way of a
 * marker, so it should be short. It must not call the library. */
typedef void (*tallymark_log_tell)(void *user, const char *text);

/* A log. Its fields are the library's own: they may change with any version. */
typedef struct {
    tallymark *box;
    int file;                  /* -1: closed */
    uint8_t torn;              /* 1: the file ends within a record */
    uint8_t restarted;         /* 1: a start of the box is among the records of the gap */
    uint32_t lost;             /* records that are missing in the file */
    uint32_t gap;              /* those of the gap that the file doesn't tell of yet */
    uint64_t gap_since_us;
    const char *const *names;
    tallymark_log_tell tell;
    void *user;
    char why[80];              /* why a record could not be written */
    char text[640];
    char line[16384];          /* the record that is being written */
} tallymark_log;

/* Begins a log for a box that is open, and notes every marker from now on. `path` is UTF-8; the file must
 * not exist yet: nothing is ever overwritten. `names`: NULL, or 256 names of events in UTF-8 by their code,
 * each of them NULL where there is none; they must stay there. `tell` may be NULL: then it is written to
 * standard error. Uses `tallymark_on_event`. Returns 0; BAD_VALUE: there is no such log, nothing was sent,
 * and `tallymark_log_text` says why. */
TALLYMARK_API int tallymark_log_begin(tallymark_log *log, tallymark *box, const char *path,
                                      const char *const *names, tallymark_log_tell tell, void *user);

/* Notes a sentence on what went wrong beside the markers. */
TALLYMARK_API void tallymark_log_note(tallymark_log *log, const char *text);

/* Ends the log and has the system write it to the disk. Call after `tallymark_close`, which may end
 * markers. Returns 0; the number of records that are missing in it; BAD_VALUE if it may not be on the
 * disk. Then `tallymark_log_text` says what that means. May be called twice. */
TALLYMARK_API int tallymark_log_end(tallymark_log *log);

/* What the last function that did not return 0 has to say. */
TALLYMARK_API const char *tallymark_log_text(const tallymark_log *log);

/* sizeof(tallymark_log), for programs that can't read this header. */
TALLYMARK_API size_t tallymark_log_size(void);

#ifdef __cplusplus
}
#endif
#endif
