"""Delays and widths out of what was driven and what was captured. Pure arithmetic, no box.

All times are in microseconds of box time.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from tallymark.box.wire.answer_values import Edge
from tallymark.common.lines.readback_wiring_model import LINES

CAPTURE_SLACK_US = 2
"""A capture may date an edge that much before the driven one, because times are rounded."""
SLOW_FROM_US = 30
"""An edge that comes later than this counts as slow: a good cable needs less than 1 µs, and the
capture of the slowest board, the Nano, dates an edge up to 22 µs late (measured in simulation)."""


class Driven(NamedTuple):
    """What the box drives from a time on: bit n of `levels` is 1 where line n is high."""

    time_us: int
    levels: int


@dataclass(slots=True)
class Delays:
    """How late one input follows, in microseconds; None where it never rose or never fell."""

    rise_us: int | None = None
    fall_us: int | None = None
    stray_edges: int = 0
    """Changes that nothing driven explains, and repeated changes where one was due."""

    @property
    def slow(self) -> bool:
        """Whether one of its edges comes too late to be called good."""
        return max(self.rise_us or 0, self.fall_us or 0) > SLOW_FROM_US

    @property
    def measured(self) -> bool:
        """Whether both edges were seen, so that neither can be slow without showing it."""
        return self.rise_us is not None and self.fall_us is not None


Changes = list[list[tuple[int, int]]]
"""For each input the (time, new level) of its changes."""


def changes_of(edges: Sequence[Edge]) -> Changes:
    """Sorts captured edges by input; the first edge is the level at the start of the capture."""
    changes: Changes = [[] for _ in range(LINES)]
    for before, now in pairwise(edges):
        changed = before.levels ^ now.levels
        for line in range(LINES):
            if changed >> line & 1:
                changes[line].append((now.time_us, now.levels >> line & 1))
    return changes


def delays(
    driven: Sequence[Driven], changes: Changes, table: Mapping[int, int], end_us: int
) -> list[Delays]:
    """The latest rise and fall of each input after what was driven, up to `end_us`.

    table: levels read back once everything was steady, by levels driven. It says which inputs
    must change with each change of the lines, so that no assumption about the wiring is needed.
    """
    found = [Delays() for _ in range(LINES)]
    steps = _steps(driven, end_us)
    for line, times in enumerate(changes):
        for before, drives, until_us in steps:
            start = bisect_left(times, (drives[0].time_us - CAPTURE_SLACK_US, 0))
            stop = bisect_left(times, (until_us - CAPTURE_SLACK_US, 0))
            count = stop - start
            moved_us, level, due = 0, table[before.levels] >> line & 1, 0
            for drive in drives:
                new = table[drive.levels] >> line & 1
                if new != level:
                    moved_us, level, due = drive.time_us, new, due + 1
            found[line].stray_edges += max(0, count - due)
            if count and due:
                _note(found[line], level, times[stop - 1][0] - moved_us)
    return found


def _note(of: Delays, level: int, late_us: int) -> None:
    late_us = max(0, late_us)
    if level:
        of.rise_us = max(late_us, of.rise_us or 0)
    else:
        of.fall_us = max(late_us, of.fall_us or 0)


def _steps(
    driven: Sequence[Driven], end_us: int
) -> list[tuple[Driven, tuple[Driven, ...], int]]:
    """Each change with what was driven before it and the time until which it lasted. A change that
    did not last as long as the capture may be wrong (the idle of a short gap) stands together with
    the one behind it, because it can't be told which of the two an edge belongs to."""
    steps: list[tuple[Driven, tuple[Driven, ...], int]] = []
    before = driven[0]
    drives: tuple[Driven, ...] = ()
    ends = [step.time_us for step in driven[2:]] + [end_us]
    for now, end in zip(driven[1:], ends, strict=True):
        drives = (*drives, now)
        if end - now.time_us > CAPTURE_SLACK_US or end == end_us:
            steps.append((before, drives, end))
            before, drives = now, ()
    return steps


@dataclass(frozen=True, slots=True)
class PulseWidth:
    """One pulse on all lines in use, as the inputs saw it. Times in microseconds."""

    asked_us: int
    seen_us: tuple[int | None, ...]
    """How long each input was away from its idle level; None where no pulse arrived."""


def pulse_width(
    asked_us: int, start_us: int, end_us: int, changes: Changes, moving: int
) -> PulseWidth:
    """The width of a pulse that began at `start_us`.

    end_us: until when its return to idle may come.
    moving: mask of the inputs that move with such a pulse; the others get None.
    """
    seen: list[int | None] = []
    for line, times in enumerate(changes):
        start = bisect_left(times, (start_us - CAPTURE_SLACK_US, 0))
        stop = bisect_left(times, (end_us, 0))
        whole = moving >> line & 1 and stop - start >= 2
        seen.append(times[stop - 1][0] - times[start][0] if whole else None)
    return PulseWidth(asked_us, tuple(seen))


def width_error_us(pulse: PulseWidth, leave_out: int) -> int | None:
    """The largest error of a pulse's width, without the inputs in the mask `leave_out`.

    None: no input is left that saw it.
    """
    errors = [
        seen - pulse.asked_us
        for line, seen in enumerate(pulse.seen_us)
        if seen is not None and not leave_out >> line & 1
    ]
    return max(errors, key=abs, default=None)


def slowest_us(driven: Driven, end_us: int, edges: Sequence[Edge]) -> int:
    """How long after one change of the lines the last input moved; 0 if none did."""
    last = max((edge.time_us for edge in edges if edge.time_us < end_us), default=0)
    return max(0, last - driven.time_us)
