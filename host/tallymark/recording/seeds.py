"""Where could a stretch of the recording lie in the log? Places to start an alignment from.

A signature is a run of n codes together with the time that the run takes. Signatures don't depend
on the unknown offset, and hardly on the unknown drift. Each recorded signature votes for every
place in the log that has the same one; the votes of a stretch of the recording that agree on an
offset make a seed. One sorted table of the log's signatures serves all look-ups, so that the search
is near-linear in the number of events.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tallymark.recording.model import Codes, Floats, Ints

STRETCH = 64  # recorded events that vote together
MOST_VOTES = 2_000_000
RUNS = (2, 4, 8)
MANY_PLACES = 50  # a run that fits in more places on average is too short to tell much


@dataclass(frozen=True)
class Train:
    """Marker times (microseconds, ascending) and codes."""

    time: Floats
    code: Codes

    def __len__(self) -> int:
        return len(self.time)

    def part(self, first: int, end: int) -> Train:
        """The markers from number `first` up to `end`."""
        return Train(self.time[first:end], self.code[first:end])


@dataclass(frozen=True)
class Seeds:
    """Offsets (recorded minus sent time, in microseconds) that a stretch of the recording supports.

    at: recorded time of the stretch's middle. offset, votes: strongest first. telling:
    how rare the stretch's signatures are; the smaller, the rarer.
    """

    at: float
    offset: Floats
    votes: Ints
    telling: float


def find_seeds(sent: Train, recorded: Train, jitter: float, drift: float) -> Iterator[Seeds]:
    """Seeds from several stretches of the recording, the most telling stretch first.

    Args:
        jitter: how far a recorded time may be off, in microseconds.
        drift: largest relative difference of the two clocks.
    """
    if len(sent) < 2 or len(recorded) < 2:
        return
    starts = _stretches(len(recorded))
    rows = np.unique((starts[:, None] + np.arange(STRETCH)).ravel())
    for run in RUNS:  # longer runs where short ones would fit in too many places
        if run > min(len(sent), len(recorded)):
            break
        table = _Table(sent, run, jitter, drift)
        lower, upper, tried = table.look_up(recorded, rows)
        if (upper - lower).sum() <= MANY_PLACES * STRETCH * len(starts):
            break
    places = upper - lower
    ranked = []
    for start in starts:
        inside = np.flatnonzero((tried >= start) & (tried < start + STRETCH))
        some = inside[places[inside] > 0]
        if len(some):
            # The fewer places fit, the more a stretch tells; but a quarter of it at least must fit.
            telling = float(np.log1p(places[some]).mean()) + 8 * (len(some) < len(inside) / 4)
            ranked.append((telling, int(start), some))
    ranked.sort(key=lambda entry: entry[:2])
    for telling, _, some in ranked[:3]:
        seeds = _vote(table, recorded, tried[some], lower[some], upper[some])
        yield Seeds(*seeds, telling)


def _stretches(events: int) -> Ints:
    if events <= STRETCH:
        return np.zeros(1, np.int64)
    if events <= 40_000:
        return np.arange(0, events - STRETCH // 2, STRETCH // 2)
    return np.linspace(0, events - STRETCH, 400).astype(np.int64)


class _Table:
    """The log's signatures, sorted: upper bits a hash of the codes, lower bits the duration."""

    def __init__(self, sent: Train, run: int, jitter: float, drift: float) -> None:
        self.sent, self.run, self.jitter, self.drift = sent, run, jitter, drift
        key = self._keys(sent.code, np.arange(len(sent) - run + 1))
        key += self._duration(sent, np.arange(len(sent) - run + 1)).astype(np.int64)
        self.order = np.argsort(key)
        self.key = key[self.order]

    def _keys(self, code: Codes, first: Ints) -> Ints:
        mixed = np.zeros(len(first), np.uint64)
        for step in range(self.run):
            mixed = mixed * np.uint64(1_000_003) + code[first + step] + np.uint64(1)
        mixed = (mixed ^ (mixed >> np.uint64(29))) & np.uint64(0xFFFFF)
        return mixed.astype(np.int64) << 40  # durations below 2**40 us are twelve days

    def _duration(self, train: Train, first: Ints) -> Floats:
        return np.minimum(train.time[first + self.run - 1] - train.time[first], 2.0**39)

    def look_up(self, recorded: Train, rows: Ints) -> tuple[Ints, Ints, Ints]:
        rows = rows[rows <= len(recorded) - self.run]
        key = self._keys(recorded.code, rows)
        duration = self._duration(recorded, rows)
        slack = 2 * self.jitter + duration * self.drift
        lower = np.searchsorted(self.key, key + np.maximum(duration - slack, 0).astype(np.int64))
        upper = np.searchsorted(self.key, key + (duration + slack).astype(np.int64), side="right")
        return lower, upper, rows


def _vote(
    table: _Table, recorded: Train, rows: Ints, lower: Ints, upper: Ints
) -> tuple[float, Floats, Ints]:
    count = upper - lower
    order = np.argsort(count, kind="stable")
    order = order[: max(int(np.searchsorted(np.cumsum(count[order]), MOST_VOTES)), 1)]
    rows, lower, count = rows[order], lower[order], count[order]
    voter = np.repeat(np.arange(len(rows)), count)
    place = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + lower[voter]
    offset = recorded.time[rows[voter]] - table.sent.time[table.order[place]]
    offset.sort()
    times = recorded.time[rows]
    reach = 2 * table.jitter + (times.max() - times.min()) * table.drift
    votes = np.searchsorted(offset, offset + reach, side="right") - np.arange(len(offset))
    strongest = int(votes.max())
    peaks = np.flatnonzero(votes >= max(min(strongest, 2), 0.5 * strongest))
    chosen = _apart(offset, votes, peaks, reach)
    middle = np.minimum(chosen + votes[chosen] // 2, len(offset) - 1)
    return float(np.median(times)), offset[middle], votes[chosen]


def _apart(offset: Floats, votes: Ints, peaks: Ints, reach: float) -> Ints:
    """Of neighbouring peaks closer than `reach`, the one with the most votes; strongest first."""
    group = np.cumsum(np.diff(offset[peaks], prepend=-np.inf) > reach)
    order = np.lexsort((peaks, -votes[peaks], group))
    first = np.ones(len(order), bool)
    first[1:] = group[order][1:] != group[order][:-1]
    kept = peaks[order[first]]
    result: Ints = kept[np.argsort(-votes[kept], kind="stable")]
    return result
