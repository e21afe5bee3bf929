"""Where the marker log may lack records: what was recorded then may be markers of the log's own
program, so that nobody can say that it was never sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tallymark.recording.recording_data import Bools, Floats, Ints

if TYPE_CHECKING:
    from tallymark.recording.comparison_result import Comparison

MARGIN_US = 1e6
"""A marker may go out so much later than its record would have been written, and host time and box
time differ by less."""

Holes = tuple[tuple[float, float], ...]
"""Beginning and end of each, in microseconds of box time, margins included."""


def inside(times: Floats, holes: Holes) -> Bools:
    """Which times (microseconds of box time) lie where the log may lack records."""
    found = np.zeros(len(times), bool)
    for since, until in holes:
        found |= (times >= since) & (times <= until)
    return found


def doubtful_extras(result: Comparison) -> Ints:
    """Numbers of the events in `result.extra` that may be markers which the log lacks."""
    if not result.sent.holes or not len(result.extra):
        return np.zeros(0, np.int64)
    rows = np.flatnonzero(result.partner >= 0)
    if not len(rows):
        return result.extra
    recorded = result.recorded.time_us[result.partner[rows]]
    order = np.argsort(recorded, kind="stable")
    seen, sent = recorded[order], result.sent.time[rows][order]
    # Box time of an event: as far from that of its neighbours as it is recorded from them.
    times = result.recorded.time_us[result.extra]
    times = times + np.interp(times, seen, sent - seen)
    return result.extra[inside(times, result.sent.holes)]
