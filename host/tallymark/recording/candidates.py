"""Which offsets may hold, and where in the recording: no place in the log goes unseen.

Each window of the recording is compared with the whole log at all offsets. An offset stays a
candidate in a window unless it explains so much less than the best one there that it can't matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tallymark.recording import kernel
from tallymark.recording.kernel import Trains
from tallymark.recording.model import Floats, Ints
from tallymark.recording.trains import Train

SEGMENT = 12  # events: candidates may change from one segment to the next
WIDE, NARROW = (64, 48, 25.0), (16, 12, 14.0)  # window, step, and slack in nats
ALWAYS = 4  # the strongest candidates are in use throughout


@dataclass(frozen=True)
class Lines:
    """Candidates: offsets (recorded minus log time, even clock, ascending) and their segments."""

    offset: Floats
    first: Ints
    last: Ints

    def __len__(self) -> int:
        return len(self.offset)


def find_lines(trains: Trains, grain: float, events: Ints | None = None) -> Lines:
    """All candidates. events: look only at windows of these (ascending), for what is left over."""
    seen = len(trains.seen)
    if not seen or not len(trains.at):
        return Lines(np.zeros(0), np.zeros(0, np.int64), np.zeros(0, np.int64))
    bin_us = max(2 * grain, float(trains.seen[-1] - trains.seen[0] + np.ptp(trains.at)) / 4e7)
    pace = len(trains.at) / max(float(np.ptp(trains.at)), 1.0) * 2 * bin_us
    share = Train(trains.at, trains.code).frequency()
    same = np.maximum(np.log(0.9 / (share * pace)), 0.5)
    other = max(float(np.log(0.05 / pace)), 0.1)
    found = []
    for length, step, slack in (WIDE, NARROW):
        starts = np.arange(0, max(seen - length // 4, 1), step)
        found.append(
            kernel.propose(trains, starts, length, bin_us, same, other, slack, 1.5 * grain)
        )
    proposals = np.concatenate(found)
    return merged(
        proposals["offset"], proposals["score"], proposals["first"], proposals["end"], seen, grain
    )


def merged(
    offset: Floats, score: Floats, first: Ints, end: Ints, events: int, grain: float
) -> Lines:
    """Candidates within a grain of each other are one."""
    if not len(offset):
        return Lines(np.zeros(0), np.zeros(0, np.int64), np.zeros(0, np.int64))
    order = np.argsort(offset, kind="stable")
    offset, score, first, end = offset[order], score[order], first[order], end[order]
    group = np.zeros(len(offset), np.int64)
    lowest, number = offset[0], 0
    for at, value in enumerate(offset.tolist()):
        if value - lowest > 0.8 * grain:
            lowest, number = value, number + 1
        group[at] = number
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    weight = np.add.reduceat(score, starts)
    middle = np.add.reduceat(offset * score, starts) / weight
    begin = np.minimum.reduceat(first, starts) // SEGMENT - 1
    last = np.maximum.reduceat(end, starts) // SEGMENT + 1
    strongest = np.argsort(-weight)[:ALWAYS]
    begin[strongest], last[strongest] = 0, events // SEGMENT
    return Lines(middle, begin.astype(np.int64), last.astype(np.int64))
