"""Which offsets may hold, and where in the recording: no place in the log goes unseen.

Each window of the recording is compared with the whole log at all offsets. An offset stays a
candidate in a window unless it explains so much less than the best one there that it can't matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tallymark.recording import kernel
from tallymark.recording.clock_drift import Chain
from tallymark.recording.event_series import Train, nearest
from tallymark.recording.kernel import TooMuch, Trains, Verdicts
from tallymark.recording.recording_data import Bools, Floats, Ints

SMALL = 4e8  # pairs of event and marker up to which everything is compared with everything
MOST_PAIRS = 6e9
EXPLAINED = 0.6  # share of a window's events that must be explained to leave it out
RUN = 4  # markers that are compared with other runs of the log
SEGMENT = 12  # events: candidates may change from one segment to the next
WIDE, NARROW = (64, 48, 25.0), (16, 12, 14.0)  # window, step, and slack in nats
TINY = 6, 5, 10.0  # the same in short recordings and at the ends: what a late cut leaves is short
TINY_TASK, ENDS = 4_000_000, 60
AT_ENDS, AT_ENDS_SLACK = (1, 3), 4.0  # the same for the first and the last events
LEFTOVER = 8, 4, 10.0  # the same for windows of events that have no marker yet
SAME = 0.1  # grains within which two lines are one
ALWAYS = 4  # the strongest candidates are in use throughout


@dataclass(frozen=True)
class Lines:
    """Candidates: offsets (recorded minus log time, even clock, ascending) and their segments.
    home: the event at which each was found, in the middle of those that propose it. A clock that
    is off by a little moves offsets by more the farther away their events are."""

    offset: Floats
    first: Ints
    last: Ints
    home: Ints

    def __len__(self) -> int:
        return len(self.offset)


def find_lines(trains: Trains, grain: float, chains: list[Chain], blind: bool = False) -> Lines:
    """All candidates. In a large task, windows that a chain explains are not compared with the log
    where no part of the log resembles theirs. blind: codes are no evidence.

    Raises TooMuch if the rest is too much to compare.
    """
    seen = len(trains.seen)
    found, settled = [], np.zeros(seen, bool)
    if seen * len(trains.at) > SMALL:
        known, settled = _explained(trains, grain, chains)
        found.append(known)
    for length, step, slack in (WIDE, NARROW, TINY):
        starts = np.arange(0, max(seen - length // 4, 1), step)
        if length == TINY[0] and seen * len(trains.at) > TINY_TASK:
            starts = starts[(starts < ENDS) | (starts >= seen - ENDS)]
        total = np.concatenate(([0], np.cumsum(settled)))
        ends = np.minimum(starts + length, seen)
        starts = starts[total[ends] - total[starts] < EXPLAINED * (ends - starts)]
        if len(starts) * length * len(trains.at) > MOST_PAIRS:
            raise TooMuch
        if len(starts):
            found.append(_proposals(trains, grain, length, starts, slack, blind))
    for length in AT_ENDS if seen * len(trains.at) < TINY_TASK else ():
        ends = np.array([0, max(seen - length, 0)])
        found.append(_proposals(trains, grain, length, ends, AT_ENDS_SLACK, blind))
    proposals = _over_loose(np.concatenate(found), trains)
    return merged(
        proposals["offset"], proposals["score"], proposals["first"], proposals["end"], seen, grain
    )


def _over_loose(proposals: NDArray[np.void], trains: Trains) -> NDArray[np.void]:
    """Proposals reach over the markers without a box time, which propose nothing themselves."""
    if len(trains.loose_at):
        run = np.diff(np.searchsorted(trains.at, trains.loose_at), prepend=-1)
        starts = np.append(np.flatnonzero(run), len(run))
        longest = int(np.diff(starts).max(initial=0))
        proposals["first"] -= longest
        proposals["end"] += longest
    return proposals


def _explained(trains: Trains, grain: float, chains: list[Chain]) -> tuple[NDArray[np.void], Bools]:
    """The chains as proposals, and the events that they explain by markers unlike all others."""
    settled = np.zeros(len(trains.seen), bool)
    alone = _singular(trains, grain)
    made = []
    for chain in chains:
        first = int(np.searchsorted(trains.seen, trains.even(chain.seen[0])[0] - grain))
        end = int(np.searchsorted(trains.seen, trains.even(chain.seen[-1])[0] + grain))
        marker = np.searchsorted(trains.at, chain.sent)
        event = nearest(trains.seen, trains.even(chain.seen))
        off = trains.seen[event] - trains.at[marker]
        offset = float(np.median(off))
        good = np.abs(off - offset) < 2 * grain
        good &= trains.code[marker] == trains.seen_code[event]
        settled[event[good & alone[marker]]] = True
        made.append((offset, 8.0 * np.count_nonzero(good), first, end))
    return np.array(made, kernel.PROPOSAL), settled


def _singular(trains: Trains, grain: float) -> Bools:
    """Markers that with the next three resemble no other four of the log."""
    count = len(trains.at) - RUN + 1
    result = np.zeros(len(trains.at), bool)
    if count < 2:
        return result
    alike = np.zeros(count, bool)
    coarse = max(8 * grain, 20_000.0)
    for phase in (0.0, 0.5):  # two, so that no pair is parted by rounding
        key = np.zeros(count, np.uint64)
        for step in range(RUN):
            key = key * np.uint64(1_000_003) + trains.code[step : step + count]
            if step:
                gap = trains.at[step : step + count] - trains.at[step - 1 : step - 1 + count]
                key = key * np.uint64(998_244_353) + np.floor(gap / coarse + phase).astype(
                    np.uint64
                )
        order = np.argsort(key)
        twice = key[order][1:] == key[order][:-1]
        alike[order[1:][twice]] = alike[order[:-1][twice]] = True
    result[:count] = ~alike
    result[count:] = result[count - 1]
    return result


def _proposals(
    trains: Trains, grain: float, length: int, starts: Ints, slack: float, blind: bool = False
) -> NDArray[np.void]:
    """What windows propose. An event with a marker's own code adds what it says against chance; one
    with another code adds a little."""
    bin_us = max(2 * grain, float(trains.seen[-1] - trains.seen[0] + np.ptp(trains.at)) / 4e7)
    pace = len(trains.at) / max(float(np.ptp(trains.at)), 1.0) * 2 * bin_us
    share = Train(trains.at, trains.code).frequency()
    same = np.maximum(np.log(0.9 / (share * pace)), 0.5)
    other = max(float(np.log(0.05 / pace)), 0.1)
    if blind:
        other = max(float(np.log(0.9 / pace)), 0.5)
        same = np.full(256, other)
    return kernel.propose(trains, starts, length, bin_us, same, other, slack, 1.5 * grain)


def merged(
    offset: Floats,
    score: Floats,
    first: Ints,
    end: Ints,
    events: int,
    grain: float,
    always: int = ALWAYS,
) -> Lines:
    """Candidates within a grain of each other are one. The strongest `always` are in use
    throughout."""
    if not len(offset):
        none: Ints = np.zeros(0, np.int64)
        return Lines(np.zeros(0), none, none, none)
    order = np.argsort(offset, kind="stable")
    offset, score, first, end = offset[order], score[order], first[order], end[order]
    starts = _groups(offset, 0.8 * grain)
    weight = np.add.reduceat(score, starts)
    middle = np.add.reduceat(offset * score, starts) / weight
    low, high = np.minimum.reduceat(first, starts), np.maximum.reduceat(end, starts)
    home: Ints = np.clip((low + high) // 2, 0, events - 1).astype(np.int64)
    begin, last = low // SEGMENT - 1, high // SEGMENT + 1
    strongest = np.argsort(-weight)[:always]
    begin[strongest], last[strongest] = 0, events // SEGMENT
    return Lines(middle, begin.astype(np.int64), last.astype(np.int64), home)


def _groups(offset: Floats, width: float) -> Ints:
    """Where groups of offsets begin that lie within a width each; offsets ascend."""
    starts, lowest = [], -np.inf
    for at, value in enumerate(offset.tolist()):
        if value - lowest > width:
            lowest = value
            starts.append(at)
    return np.array(starts, np.int64)


def moved(lines: Lines, by: Floats, grain: float) -> Lines:
    """The same lines after a change of the clock that moved each event by `by` (shape of the
    events)."""
    offset = lines.offset + by[lines.home]
    order = np.argsort(offset, kind="stable")
    return joined(
        Lines(offset[order], lines.first[order], lines.last[order], lines.home[order]), SAME * grain
    )


def joined(lines: Lines, within_us: float) -> Lines:
    """The lines, of which those within so much of the lowest of them are one."""
    starts = _groups(lines.offset, within_us)
    return Lines(
        lines.offset[starts],
        np.minimum.reduceat(lines.first, starts),
        np.maximum.reduceat(lines.last, starts),
        lines.home[starts],
    )


def same_lines(lines: Lines, others: Lines) -> bool:
    """Whether both are the same offsets for the same segments."""
    return (
        np.array_equal(lines.offset, others.offset)
        and np.array_equal(lines.first, others.first)
        and np.array_equal(lines.last, others.last)
        and np.array_equal(lines.home, others.home)
    )


def with_anchors(
    lines: Lines, anchors: list[tuple[float, float, float, float]], seen: Floats
) -> Lines:
    """The lines, and one in use throughout at each anchor where there is none yet. seen: times of
    the events."""
    for when, offset, reach, _ in anchors:
        if not (np.abs(lines.offset - offset) <= reach).any():
            at = int(np.searchsorted(lines.offset, offset))
            lines = Lines(
                np.insert(lines.offset, at, offset),
                np.insert(lines.first, at, 0),
                np.insert(lines.last, at, len(seen) // SEGMENT),
                np.insert(lines.home, at, nearest(seen, np.array([when]))[0]),
            )
    return lines


def leftover_lines(trains: Trains, lines: Lines, verdicts: Verdicts, grain: float) -> Lines:
    """The lines, and those that events propose which have no marker yet."""
    lone = verdicts.event_p + verdicts.event_others < 0.5
    if len(lone) * len(trains.at) > SMALL:  # then only where most events are without one
        around = np.convolve(lone, np.ones(NARROW[0]), "same")
        lone &= around >= NARROW[0] / 2
    left = np.flatnonzero(lone)
    if len(left) < 3:
        return lines
    part = replace(
        trains,
        seen=trains.seen[left],
        seen_code=trains.seen_code[left],
        begin=trains.begin[left],
        end=trains.end[left],
    )
    length, step, slack = LEFTOVER
    found = _proposals(part, grain, length, np.arange(0, len(left), step), slack)
    last = left[np.minimum(found["end"], len(left)) - 1]
    more = merged(
        found["offset"], found["score"], left[found["first"]], last + 1, len(trains.seen), grain, 0
    )
    offset = np.concatenate((lines.offset, more.offset))
    order = np.argsort(offset, kind="stable")
    return Lines(
        offset[order],
        np.concatenate((lines.first, more.first))[order],
        np.concatenate((lines.last, more.last))[order],
        np.concatenate((lines.home, more.home))[order],
    )
