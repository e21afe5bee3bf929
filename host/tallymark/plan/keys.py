"""All keys of a plan file: what the reader knows and what the help shows is this one list."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Key:
    """One key. values: its unit and range; default: what holds without it."""

    section: str
    name: str
    values: str
    default: str
    meaning: str


_TOP, _RECEIVER, _SESSION = "(top)", "[receiver]", "[session]"
_SIGNATURE, _EVENT = "[signature]", "[[event]]"

KEYS = (
    Key(_TOP, "name", "text", "none", "name of the study"),
    Key(_RECEIVER, "name", "text", "none", "name of the receiver"),
    Key(_RECEIVER, "sampling_rate", "Hz, above 0", "not known", "sampling rate of the lines"),
    Key(
        _RECEIVER,
        "least_samples",
        "samples, 1 or more",
        "2",
        "samples that a pulse must last to be seen reliably; needs sampling_rate",
    ),
    Key(
        _RECEIVER,
        "least_width_us",
        "time, 0 or more",
        "0",
        "shortest pulse that its manual specifies, if given as a time",
    ),
    Key(_RECEIVER, "lines", "list of 0 to 7", "all eight", "lines that reach it"),
    Key(_RECEIVER, "active", '"high" or "low"', '"high"', "level of an active line at its input"),
    Key(
        _RECEIVER,
        "idle",
        '"low" or "high"',
        "the opposite of active",
        "level of the lines between markers; give it where the wiring inverts",
    ),
    Key(_RECEIVER, "reserved", "list of 0 to 255", "none", "codes that other equipment uses"),
    Key(
        _SESSION,
        "least_interval_us",
        "time, above 0",
        "not known",
        "shortest time from the start of one marker to the start of the next",
    ),
    Key(_SESSION, "gap_us", "time, 0 or more", "0", "idle time that the box keeps between markers"),
    Key(_SESSION, "width_us", "time, 1 µs or more", "none", "default width of events"),
    Key(_SESSION, "distance", "1 to 8 lines", "1", "least number of lines in which two codes "
                                                   "differ"),
    Key(
        _SESSION,
        "blocks",
        "1 or more",
        "not known",
        "how often the same events come in the same order at the same intervals",
    ),
    Key(
        _SESSION,
        "intervals",
        '"constant" or "varied"',
        "not known",
        "whether all intervals are of the same length",
    ),
    Key(
        _SIGNATURE,
        "code",
        "1 to 255",
        "none",
        "code of the session signature, by which 'check' knows session and place; no event has it",
    ),
    Key(_EVENT, "name", "text", "required", "name of the event, used to send it"),
    Key(_EVENT, "code", "1 to 255", "required", "bit n is line n"),
    Key(_EVENT, "width_us", "time, 1 µs or more", "width_us in [session]", "width of its pulse"),
    Key(_EVENT, "count", "0 or more", "not known", "number of occurrences in a session"),
    Key(
        _EVENT,
        "probe",
        '"light", "sound" or "ttl"',
        "none",
        "probe that sees what the event announces; 'tallymark delay' says how long after",
    ),
    Key(_EVENT, "about", "text", "none", "description"),
)


def names(section: str) -> set[str]:
    """The keys that a section may have."""
    return {key.name for key in KEYS if key.section == section}
