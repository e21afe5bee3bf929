"""Exit codes of the command line, and which error leads to which."""

from __future__ import annotations

from tallymark.common.errors import (
    BadValue,
    NoAnswer,
    NotWritten,
    PortError,
    PortGone,
    Refused,
    SettingsFileError,
    StudyStopped,
    TallymarkError,
    Unconfirmed,
    VersionError,
)

DONE = 0
NOT_GOOD = 1
BAD_INPUT = 2
NOT_OPENED = 3
CONNECTION = 4
REFUSED = 5
NOT_KNOWN = 6
CHECK = {
    "all arrived": DONE,
    "another session": 10,
    "not known": NOT_KNOWN,
    "session not told": 11,
    "markers missing": 12,
    "wrong codes": 13,
    "wrong level": 14,
    "samples missing": 15,
    "file incomplete": 16,
    "extra events": 17,
    "samples not known": 20,
    "partly known": 18,
    "part recorded": 19,
}
"""Exit codes of `tallymark check` by the outcome of the recording."""

FAULT = 70
INTERRUPTED = 130
OUTPUT_CLOSED = 141

TABLE = (
    (DONE, "done, and the result is good"),
    (NOT_GOOD, "done, but the result is not good: faults found, settings differ, edges lost"),
    (BAD_INPUT, "an option, a value or a file can't be used; nothing was sent"),
    (NOT_OPENED, "no box, a busy port, a port that is not a box, or another version"),
    (CONNECTION, "the connection was lost or an answer is missing; markers may be unconfirmed"),
    (REFUSED, "the box refused, for instance because a sequence plays"),
    (NOT_KNOWN, "done, but the result is ambiguous: the recording fits the log in several places; "
                "accept: a step is not done, or its result is not known"),
    *((code, f"check: {name}") for name, code in CHECK.items() if code > NOT_KNOWN),
    (FAULT, "internal error of this program"),
    (INTERRUPTED, "interrupted by Ctrl-C; the lines are at idle if the command drives them"),
    (OUTPUT_CLOSED, "the program that read the output ended before this one"),
)


def code_of(error: TallymarkError) -> int:
    """The exit code for an error of the library."""
    from tallymark.markerlog.log_errors import MarkerLogError, MarkerLogIncomplete
    from tallymark.recording.recording_data import NoEvent
    from tallymark.verification.selftest import SelftestStopped

    by_error: tuple[tuple[type[TallymarkError], int], ...] = (
        (NoEvent, CHECK["markers missing"]),
        (BadValue, BAD_INPUT),
        (SettingsFileError, BAD_INPUT),
        (NotWritten, BAD_INPUT),
        (MarkerLogIncomplete, NOT_GOOD),
        (MarkerLogError, BAD_INPUT),
        (PortGone, CONNECTION),
        (NoAnswer, CONNECTION),
        (Unconfirmed, CONNECTION),
        (PortError, NOT_OPENED),
        (VersionError, NOT_OPENED),
        (Refused, REFUSED),
        (SelftestStopped, REFUSED),
        (StudyStopped, CONNECTION),
    )
    return next((code for kind, code in by_error if isinstance(error, kind)), NOT_GOOD)
