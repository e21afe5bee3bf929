"""Candidates for event lists that a program timed: each offset in the middle of its own events.

Times of samples are off by as much as sampling explains, and within that no offset is better than
another. Times that a program stamped scatter. A place whose offset happens to run nearer to the
middle of them would win by that alone over another that is off by a fraction of a sample.
"""

from __future__ import annotations

import numpy as np

from tallymark.recording.event_series import nearest
from tallymark.recording.kernel import Rates, Trains
from tallymark.recording.offset_candidates import SAME, SEGMENT, Lines, joined
from tallymark.recording.recording_data import Floats

FARTHEST, STEP = 0.8, 0.1  # grains: how far a line may move, and how finely
EVENTS = 256  # of a line that are looked at
CHUNK = 256  # lines at a time


def centred(trains: Trains, lines: Lines, rates: Rates, grain: float) -> Lines:
    """The lines, each at the offset nearby that makes the residuals of its events likeliest."""
    if not len(lines):
        return lines
    shifts = np.arange(-FARTHEST, FARTHEST + STEP / 2, STEP) * grain
    shifts = shifts[np.argsort(np.abs(shifts), kind="stable")]  # where all are equal, none moves
    offset = lines.offset.copy()
    for start in range(0, len(lines), CHUNK):
        part = slice(start, start + CHUNK)
        residual = _residuals(trains, lines, part)
        likely = np.stack([_log_density(rates, residual - by).sum(axis=1) for by in shifts])
        offset[part] += shifts[likely.argmax(axis=0)]
    order = np.argsort(offset, kind="stable")
    placed = Lines(offset[order], lines.first[order], lines.last[order], lines.home[order])
    return joined(placed, SAME * grain)


def _residuals(trains: Trains, lines: Lines, part: slice) -> Floats:
    """Of some events of each line, how far the nearest marker is; shape (lines, EVENTS)."""
    most = len(trains.seen) - 1
    first = np.clip(lines.first[part] * SEGMENT, 0, most)
    last = np.clip((lines.last[part] + 1) * SEGMENT - 1, 0, most)
    share = np.linspace(0.0, 1.0, min(EVENTS, most + 1))
    event = np.round(first[:, None] + share * (last - first)[:, None]).astype(np.int64)
    wanted = trains.seen[event] - lines.offset[part, None]
    at = trains.at[nearest(trains.at, wanted.ravel())].reshape(wanted.shape)
    result: Floats = wanted - at
    return result


def _log_density(rates: Rates, residual: Floats) -> Floats:
    """As the kernel has it."""
    off = np.abs(residual)
    flat, wide = (1 - rates.wide) / (2 * rates.core), rates.wide / (2 * rates.reach)
    near = flat * np.exp(-np.maximum(off - rates.core, 0.0) / rates.tail)
    result: Floats = np.log(near + np.where(off <= rates.reach, wide, 1e-3 * wide))
    return result
