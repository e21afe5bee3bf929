"""Stretches of a recording without a jump, and the jumps between them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tallymark.recording.recording_data import Floats, Ints

STEP = 1.5  # grains by which two offsets differ surely
AROUND = 5  # events on each side that tell the size of a step
WANDER = 3e-6  # relative drift that is left when the clock is known


@dataclass(frozen=True)
class Piece:
    """A stretch of the likeliest path without a jump.

    offset_us: recorded minus log time, on the even clock. first, last: its first and last event.
    shift_us: by how much the offset differs from that of the piece before (negative: the recording
    lacks that much time).
    """

    offset_us: float
    first: int
    last: int
    shift_us: float = 0.0


def find_pieces(runs: list[Ints], seen: Floats, offset: Floats, grain: float) -> list[Piece]:
    """Pieces of runs of events that lie on one line each; small steps within a line are found.

    Args:
        runs: numbers of the events, in order.
        seen, offset: even time of each event, and its distance from its marker (shape of the
            events; only those of the runs count).
        grain: resolution of the times, microseconds.
    """
    pieces: list[Piece] = []
    before: Floats = np.zeros(0)
    for run in runs:
        for part in _steady(run, seen, offset, grain):
            off = offset[part]
            here = Piece(float(np.median(off)), int(part[0]), int(part[-1]))
            if pieces:
                shift = float(np.median(off[:AROUND]) - np.median(before[-AROUND:]))
                if abs(shift) < STEP * grain:
                    last = pieces[-1]
                    pieces[-1] = replace(last, last=here.last)
                    before = np.concatenate((before[-AROUND:], off))
                    continue
                here = replace(here, shift_us=shift)
            pieces.append(here)
            before = off
    return pieces


def _steady(run: Ints, seen: Floats, offset: Floats, grain: float) -> list[Ints]:
    """Parts of a run whose offsets lie within what sampling and drift explain."""
    time, off = seen[run], offset[run]
    band = 1.1 * grain + 60.0
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
