"""Is the recording of this session at all?

A log explains a recording if it foretells the recorded intervals and codes better than the recording
foretells itself. Along the likeliest path, each event's interval and code get a probability from the
log, and one from the events before it; both learn as they go. What is the same for every session of
a design, as a constant interval is, foretells itself and says nothing. If all of a design is like
that, sessions can't be told apart, and what the check says holds only if the log is the right one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tallymark.recording.kernel import Trains, Verdicts
from tallymark.recording.model import Bools, Codes, Floats, Ints

ENOUGH = 14.0  # nats by which a log must be better: odds of a million
LEARNING = 40.0, 0.1  # nats, and nats a marker, that the learning of intervals may cost
MOST = 20_000  # events that are looked at
START = 10  # events from which on the recording's own foretelling counts


@dataclass(frozen=True)
class Identity:
    """session: 'own', 'foreign' or 'untold' (the design is the same in every session). time, code:
    nats by which the log foretells times and codes better than the recording foretells itself.
    possible: nats by which the right log could have done so."""

    session: Literal["own", "foreign", "untold"]
    time: float = 0.0
    code: float = 0.0
    possible: float = 0.0


def identify(trains: Trains, verdicts: Verdicts, core: float) -> Identity:
    """Compare the log with the recording's own regularity. core: microseconds within which a time
    agrees."""
    trains = replace(trains, seen=trains.seen[:MOST], seen_code=trains.seen_code[:MOST])
    marker = verdicts.path_marker[:MOST].astype(np.int64)
    sure = (marker >= 0) & (marker < len(trains.at))
    own_time = _own_times(trains.seen, core)
    own_code = _own_codes(trains.seen_code)
    time = float((_log_times(trains, verdicts, sure, core) - own_time).sum())
    code = float((_log_codes(trains, marker, sure) - own_code)[sure].sum())
    learning = LEARNING[0] + LEARNING[1] * len(trains.seen)
    possible_time = float((-np.log(2 * core) - own_time)[START:].sum())
    possible = float(-own_code[START:].sum())
    possible += possible_time if possible_time > learning else 0.0
    score = code + (time if time > learning or time < 0 else 0.0)
    score -= float(np.log(len(trains.at) + len(trains.seen)))
    if score >= ENOUGH:
        return Identity("own", time, code, possible)
    if possible < 2 * ENOUGH + float(np.log(len(trains.at) + len(trains.seen))):
        return Identity("untold", time, code, possible)
    return Identity("foreign", time, code, possible)


def _log_times(trains: Trains, verdicts: Verdicts, sure: Bools, core: float) -> Floats:
    """Log density of each event's time given the log, along the path."""
    count = len(trains.seen)
    pace = count / trains.duration
    extra = float(np.log((np.count_nonzero(~sure) + 0.5) / trains.duration))
    density = np.full(count, extra)
    rows = np.flatnonzero(sure)
    if not len(rows):
        return density
    marker = verdicts.path_marker[rows].astype(np.int64)
    same = np.zeros(len(rows), bool)
    same[1:] = verdicts.path_line[rows[1:]] == verdicts.path_line[rows[:-1]]
    skipped = np.zeros(len(rows))
    skipped[1:] = np.maximum(np.diff(marker) - 1, 0)
    missed = float(skipped[same].sum())
    share = (missed + 0.5) / (missed + len(rows) + 1.0)
    found = np.log(0.92 / (2 * core)) + np.log1p(-share) + skipped * np.log(share)
    density[rows] = np.where(same, found, np.log(pace) - 8.0)
    return density


def _own_times(seen: Floats, core: float) -> Floats:
    """Log density of each interval given those before it: like one of them, or of any length."""
    gap = np.diff(seen, prepend=seen[:1])
    mean = max(float(gap.mean()), 1.0)
    before, at = _counts_before(np.floor(gap / (2 * core)).astype(np.int64))
    like = before / (2 * core)
    result: Floats = np.log((like + np.exp(-gap / mean) / mean) / (at + 1.0))
    return result


def _counts_before(values: Ints) -> tuple[Floats, Floats]:
    """How often each value came before, neighbours counting half; and how many came before."""
    total: dict[int, float] = {}
    before = np.zeros(len(values))
    for row, value in enumerate(values.tolist()):
        near = (total.get(value - 1, 0.0) + total.get(value + 1, 0.0)) / 2
        before[row] = total.get(value, 0.0) + near
        total[value] = total.get(value, 0.0) + 1.0
    return before, np.arange(len(values), dtype=float)


def _own_codes(code: Codes) -> Floats:
    """Log probability of each code given those before it, and the last one above all."""
    single, pair = np.zeros(256), np.zeros((256, 256))
    result = np.zeros(len(code))
    total = np.zeros(256)
    last = 0
    for row, here in enumerate(code.tolist()):
        alone = (single[here] + 1 / 256) / (row + 1.0)
        result[row] = np.log((pair[last, here] + alone) / (total[last] + 1.0))
        single[here] += 1
        pair[last, here] += 1
        total[last] += 1
        last = here
    return result


def _log_codes(trains: Trains, marker: Ints, sure: Bools) -> Floats:
    """Log probability of each code given the marker's, learning which codes are seen for it."""
    seen_as, single, total = np.zeros((256, 256)), np.zeros(256), np.zeros(256)
    result = np.zeros(len(marker))
    for count, row in enumerate(np.flatnonzero(sure).tolist()):
        sent, here = int(trains.code[marker[row]]), int(trains.seen_code[row])
        chance = (single[here] + 1 / 256) / (count + 1.0)
        first = 0.98 * (sent == here) + 0.02 * chance
        result[row] = np.log((2 * first + seen_as[sent, here]) / (2 + total[sent]))
        seen_as[sent, here] += 1
        total[sent] += 1
        single[here] += 1
    return result
