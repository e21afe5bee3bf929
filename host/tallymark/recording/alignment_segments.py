"""Stretches of a recording without a jump, and the jumps between them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import Chebyshev

from tallymark.recording.clock_drift import LARGEST_WANDER
from tallymark.recording.clock_map import TimeMap
from tallymark.recording.recording_data import Floats, Ints

STEP = 1.5  # grains by which two offsets differ surely
AROUND = 5  # events on each side that tell the size of a step
FARTHER = 20  # events on each side between which a real step is left too
WANDER = 3e-6  # relative drift that is left when the clock is known
STEP_LEFT = 1.0  # grains of a step that may be left beside the curve of a clock that wanders
DEGREES = (1, 2, 4, 8, 16, 32)  # of such curves
EVENTS_A_DEGREE = 8
MOST_STRETCHES = 200  # tried; what is left after them stays a jump
GRID = 1000  # places at which a curve's slope is looked at
SCATTER_MOST = 1.1  # grains by which events of one offset may scatter that sampling explains
FEWEST = 3  # events behind a step of which it can't be known whether it is one
NEIGHBOURS = 11  # events that tell how far times scatter; uniform ones over 10/12 of their range


@dataclass(frozen=True)
class Piece:
    """A stretch of the likeliest path without a jump.

    offset_us: recorded minus log time, on the even clock. first, last: its first and last event.
    shift_us: by how much the offset differs from that of the piece before (negative: the recording
    lacks that much time); 0 where a clock that wanders explains the difference as well.
    """

    offset_us: float
    first: int
    last: int
    shift_us: float = 0.0


def find_pieces(
    runs: list[Ints], seen: Floats, offset: Floats, straight: Floats, grain: float
) -> list[Piece]:
    """Pieces of runs of events that lie on one line each; small steps within a line are found.

    Args:
        runs: numbers of the events, in order.
        seen, offset: even time of each event, and its distance from its marker (shape of the
            events; only those of the runs count).
        straight: the same distance by a clock of one rate. That of the even time has the kinks of
            the clock's map.
        grain: resolution of the times, microseconds.
    """
    grain = max(grain, _scatter(runs, offset))
    pieces: list[Piece] = []
    before: Floats = np.zeros(0)
    for run in runs:
        for part in _steady(run, seen, offset, grain):
            off = offset[part]
            here = Piece(float(np.median(off)), int(part[0]), int(part[-1]))
            if pieces:
                shift, farther = (
                    float(np.median(off[:count]) - np.median(before[-count:]))
                    for count in (AROUND, FARTHER)
                )
                if min(abs(shift), abs(farther)) < STEP * grain:
                    last = pieces[-1]
                    pieces[-1] = replace(last, last=here.last)
                    before = np.concatenate((before[-FARTHER:], off))
                    continue
                here = replace(here, shift_us=shift)
            pieces.append(here)
            before = off
    return _without_wander(pieces, np.concatenate(runs), seen, straight, grain) if pieces else []


def find_doubtful_steps(runs: list[Ints], offset: Floats, grain: float) -> list[Piece]:
    """Steps that would be jumps if the times of events scattered by their resolution alone.

    The times here scatter by more, so that a few samples may be missing at each of these, or none.
    Arguments as in `find_pieces`.
    """
    if _scatter(runs, offset) <= SCATTER_MOST * grain:
        return []
    rows = np.concatenate(runs)
    off, count = offset[rows], len(rows)
    middle = np.median(np.lib.stride_tricks.sliding_window_view(off, AROUND), axis=1)
    shift = np.zeros(count)
    shift[AROUND : count - AROUND + 1] = middle[AROUND:] - middle[:-AROUND]
    for few in range(FEWEST, AROUND):  # beside the first and the last event
        shift[few] = middle[few] - np.median(off[:few])
        shift[count - few] = np.median(off[count - few :]) - middle[count - few - AROUND]
    found = np.flatnonzero(np.abs(shift) >= STEP * grain)
    places = np.split(found, np.flatnonzero(np.diff(found) > AROUND) + 1) if len(found) else []
    largest = [place[np.argmax(np.abs(shift[place]))] for place in places]
    return [Piece(0.0, int(rows[at]), int(rows[-1]), float(shift[at])) for at in largest]


def _scatter(runs: list[Ints], offset: Floats) -> float:
    """How far the times of neighbours lie apart. Edges that take two samples to settle scatter over
    more than one sample, and two such events are no step."""
    ranges = [_ranges(offset[run]) for run in runs if len(run) >= NEIGHBOURS]
    return float(np.median(np.concatenate(ranges))) if ranges else 0.0


def _ranges(offset: Floats) -> Floats:
    """Highest less lowest of each value and those behind it, `NEIGHBOURS` in all."""
    count = len(offset) - NEIGHBOURS + 1
    high, low = offset[:count].copy(), offset[:count].copy()
    for first in range(1, NEIGHBOURS):  # nine times as fast as `ptp` of a sliding window
        np.maximum(high, offset[first : first + count], out=high)
        np.minimum(low, offset[first : first + count], out=low)
    ranges: Floats = high - low
    return ranges


def smooth_clock(at: Floats, recorded: Floats, grain: float) -> TimeMap | None:
    """One smooth curve of the clock from log time to recorded time, if it leaves no more than
    sampling anywhere, else None.

    at, recorded: times of markers and of their events, ascending, microseconds.
    """
    off = recorded - at
    for degree in DEGREES:
        if degree > len(at) // EVENTS_A_DEGREE:
            break
        curve = Chebyshev.fit(at, off, degree)
        if np.abs(off - curve(at)).max() > _band(grain):
            continue
        grid = np.linspace(at[0], at[-1], GRID)
        slope = curve.deriv()(grid)
        if np.abs(slope - np.median(slope)).max() > LARGEST_WANDER:
            continue
        return TimeMap(grid, grid + curve(grid))
    return None


def _without_wander(
    pieces: list[Piece], rows: Ints, seen: Floats, offset: Floats, grain: float
) -> list[Piece]:
    """The pieces, of which those follow without a jump that one smooth curve of the clock explains
    together with their neighbours. Where none does, the largest jump is one, and what lies on its
    sides is tried in turn."""
    time, off = seen[rows], offset[rows]
    starts = np.searchsorted(rows, [piece.first for piece in pieces])
    ends = np.append(starts[1:], len(rows))
    found = list(pieces)
    left = [(0, len(pieces))]
    for _ in range(MOST_STRETCHES):
        if not left:
            break
        first, last = left.pop()
        if last - first < 2:
            continue
        here, cuts = slice(starts[first], ends[last - 1]), starts[first + 1 : last] - starts[first]
        if _wanders(time[here], off[here], cuts, grain):
            for number in range(first + 1, last):
                found[number] = replace(found[number], shift_us=0.0)
            continue
        largest = max(range(first + 1, last), key=lambda one: abs(pieces[one].shift_us))
        left += [(first, largest), (largest, last)]
    return found


def _wanders(time: Floats, off: Floats, cuts: Ints, grain: float) -> bool:
    """Whether a smooth curve of the clock leaves no step at any of the cuts."""
    grid = np.linspace(time[0], time[-1], GRID)
    for degree in DEGREES:
        if degree > min(len(time) // EVENTS_A_DEGREE, 2 * len(cuts) + 2):
            return False
        curve = Chebyshev.fit(time, off, degree)
        if np.abs(curve.deriv()(grid)).max() > LARGEST_WANDER:
            continue
        beside = off - curve(time)
        steps = [
            np.median(beside[cut : cut + AROUND]) - np.median(beside[max(cut - AROUND, 0) : cut])
            for cut in cuts
        ]
        if np.abs(steps).max() < STEP_LEFT * grain:
            return True
    return False


def _band(grain: float) -> float:
    """How far apart sampling and the delays of edges put two events of one offset."""
    return 1.1 * grain + 60.0


def _steady(run: Ints, seen: Floats, offset: Floats, grain: float) -> list[Ints]:
    """Parts of a run whose offsets lie within what sampling and drift explain."""
    time, off = seen[run], offset[run]
    band = _band(grain)
    cuts, start = [], 0
    while True:
        high = np.maximum.accumulate(off[start:])
        low = np.minimum.accumulate(off[start:])
        out = np.flatnonzero(high - low > band + WANDER * (time[start:] - time[start]))
        if not len(out):
            break
        start += int(out[0])
        cuts.append(start)
        if len(cuts) > 10_000:
            break
    return np.split(run, cuts)
