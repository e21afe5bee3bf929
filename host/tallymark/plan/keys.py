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


_TOP, _RECEIVER, _SESSION, _EVENT = "(top)", "[receiver]", "[session]", "[[event]]"

KEYS = (
    Key(_TOP, "name", "text", "none", "what the study is called"),
    Key(_RECEIVER, "name", "text", "none", "what the receiver is called"),
    Key(_RECEIVER, "sampling_rate", "Hz, above 0", "not known", "how often it looks at the lines"),
    Key(
        _RECEIVER,
        "least_samples",
        "samples, 1 or more",
        "2",
        "how many samples a pulse must last to be seen for certain; needs sampling_rate",
    ),
    Key(
        _RECEIVER,
        "least_width_us",
        "µs, 0 or more",
        "0",
        "shortest pulse that its manual promises to see, if that is given as a time",
    ),
    Key(_RECEIVER, "lines", "list of 0 to 7", "all eight", "lines that reach it"),
    Key(_RECEIVER, "active", '"high" or "low"', '"high"', "level of an active line at its input"),
    Key(
        _RECEIVER,
        "idle",
        '"low" or "high"',
        "the opposite of active",
        "level that the box keeps between markers; give it where something on the way inverts",
    ),
    Key(_RECEIVER, "reserved", "list of 0 to 255", "none", "codes that other equipment uses"),
    Key(
        _SESSION,
        "least_interval_us",
        "µs, above 0",
        "not known",
        "shortest time from the start of one marker to the start of the next",
    ),
    Key(_SESSION, "gap_us", "µs, 0 or more", "0", "idle time that the box keeps between markers"),
    Key(_SESSION, "width_us", "whole µs, 1 or more", "none", "width of events that name none"),
    Key(_SESSION, "distance", "1 to 8 lines", "1", "lines in which two codes differ at least"),
    Key(_EVENT, "name", "text", "must be given", "what is sent by name"),
    Key(_EVENT, "code", "1 to 255", "must be given", "bit n is line n"),
    Key(_EVENT, "width_us", "whole µs, 1 or more", "that of [session]", "width of its pulse"),
    Key(_EVENT, "count", "0 or more", "not known", "how often it comes in a session"),
    Key(_EVENT, "about", "text", "none", "what it means, for people"),
)


def names(section: str) -> set[str]:
    """The keys that a section may have."""
    return {key.name for key in KEYS if key.section == section}
