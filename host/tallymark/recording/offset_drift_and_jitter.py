"""How the recording keeps time against the box: offset, drift and jitter, with their bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tallymark.recording.recording_data import Floats, Ints

LEAST = 3  # pairs
MOST_STRETCHES = 2000
WANDER_SAMPLES = 3.0  # a jump of fewer is not told from a clock that wanders
SLOP_US = 40.0  # irregularity of box and amplifier that sampling does not explain
OUTLYING = 6.0  # standard deviations of the change from one pair to the next, robustly estimated


@dataclass
class Timing:
    """How the recording keeps time against the box.

    drift_ppm: how much faster the recording's clock runs; drift_error_ppm: how far that may be off.
    offset_us: recording's time of box time 0, as the first stretch without a jump has it.
    jitter_us: standard deviation of residuals; worst_us, worst_at_us: largest residual and when, on
    the recording's clock. limit_us: what sampling alone gives, sample / sqrt(12), for a uniform
    phase. None: too few.
    """

    offset_us: float | None = None
    drift_ppm: float | None = None
    drift_error_ppm: float | None = None
    jitter_us: float | None = None
    limit_us: float | None = None
    worst_us: float | None = None
    worst_at_us: float | None = None


def timing(
    sent: Floats, recorded: Floats, piece: Ints, residual: Floats, sample_us: float | None
) -> Timing:
    """The timing of pairs in order of time.

    Args:
        sent, recorded: their times on both clocks, microseconds.
        piece: which stretch without a jump each belongs to; stretches share the drift only.
        residual: recorded minus expected time.
    """
    if len(sent) < LEAST:
        return Timing()
    first = piece == piece[0]
    slope, error = _slope(sent, recorded, piece, sample_us or 0.0)
    if slope is None:
        return Timing()
    limit = None if sample_us is None else sample_us / np.sqrt(12)
    for other in (
        _joined(sent, recorded, piece, slope, sample_us or 0.0),
        _broken(residual, piece, sample_us or 0.0),
    ):
        if other is not piece:
            possible, its_error = _slope(sent, recorded, other, sample_us or 0.0)
            if possible is not None:
                error = max(error, abs(possible - slope) + its_error)
    worst = int(np.abs(residual).argmax())
    return Timing(
        float(recorded[first].mean() - slope * sent[first].mean()),
        (slope - 1) * 1e6,
        float(error * 1e6),
        float(np.std(residual)),
        limit,
        float(np.abs(residual[worst])),
        float(recorded[worst]),
    )


def _slope(
    sent: Floats, recorded: Floats, piece: Ints, sample: float
) -> tuple[float | None, float]:
    """The rate of the recorded time over the box's, and how far it may be off."""
    x, y = sent.astype(float).copy(), recorded.astype(float).copy()
    for number in np.unique(piece):
        here = piece == number
        x[here] -= sent[here].mean()
        y[here] -= recorded[here].mean()
    square = float(x @ x)
    if square == 0:
        return None, 0.0
    slope = float(x @ y) / square
    return slope, _error(x, y, slope, piece, sample)


def _joined(sent: Floats, recorded: Floats, piece: Ints, slope: float, sample: float) -> Ints:
    """The stretches, with those joined between which the jump is so small that it may as well be a
    clock that wanders."""
    at = np.flatnonzero(np.diff(piece))
    off = recorded - slope * sent
    real = np.abs(off[at + 1] - off[at]) > WANDER_SAMPLES * sample + SLOP_US
    if real.all():
        return piece
    joined = np.zeros(len(piece), np.int64)
    joined[at[real] + 1] = 1
    return np.cumsum(joined)


def _broken(residual: Floats, piece: Ints, sample: float) -> Ints:
    """The stretches, broken where the residual steps by more than any clock does from one pair to
    the next, and stays there: samples that are missing now and then look like drift."""
    change = np.diff(residual)
    usual = float(np.median(change))
    scatter = 1.4826 * float(np.median(np.abs(change - usual)))
    least = max(sample + SLOP_US, OUTLYING * scatter)
    steps = []
    for at in np.flatnonzero(np.abs(change - usual) > least):
        before, behind = residual[max(at - 2, 0) : at + 1], residual[at + 1 : at + 4]
        if abs(np.median(behind) - np.median(before)) > least:
            steps.append(at)
    if not steps:
        return piece
    breaks = np.zeros(len(piece), np.int64)
    breaks[np.array(steps) + 1] = 1
    return piece + np.cumsum(breaks)


def _error(x: Floats, y: Floats, slope: float, piece: Ints, sample: float) -> float:
    """How far the slope may be off.

    The sampling errors of markers at a constant interval are not independent, and a fit's usual
    uncertainty is then too small. So this asks which slopes are possible at all: those that leave
    the pairs of each piece within a sample of each other, or within a sample more than the best
    slope does.
    """
    x, y, piece = _outermost(x, y, slope, piece)
    starts = np.flatnonzero(np.diff(piece, prepend=piece[0] - 1))

    def spread(tried: float) -> float:
        off = y - tried * x
        return float((np.maximum.reduceat(off, starts) - np.minimum.reduceat(off, starts)).max())

    width = max(float(np.ptp(x)), 1.0)
    reach = 4 * (spread(slope) + sample + SLOP_US) / width
    low, high = slope - reach, slope + reach
    for _ in range(60):  # the spread is convex: narrow down to its minimum
        left, right = low + (high - low) / 3, high - (high - low) / 3
        low, high = (low, right) if spread(left) < spread(right) else (left, high)
    best = (low + high) / 2
    allowed = max(spread(best) + max(sample, spread(best)), sample + SLOP_US)
    ends = []
    for sign in (-1.0, 1.0):
        inside, outside = best, best + sign * reach
        for _ in range(40):
            middle = (inside + outside) / 2
            inside, outside = (middle, outside) if spread(middle) <= allowed else (inside, middle)
        ends.append(abs(outside - slope))
    return max(ends)


def _outermost(x: Floats, y: Floats, slope: float, piece: Ints) -> tuple[Floats, Floats, Ints]:
    """Of many pairs the first, the last, and of each stretch those farthest off: only they bound
    the slope."""
    size = len(x) // MOST_STRETCHES
    if size < 4:
        return x, y, piece
    off = (y - slope * x)[: len(x) // size * size].reshape(-1, size)
    first = np.arange(len(off)) * size
    kept = np.unique(
        np.concatenate(
            (
                [0, len(x) - 1],
                np.arange(len(off) * size, len(x)),
                first + off.argmax(axis=1),
                first + off.argmin(axis=1),
                np.flatnonzero(np.diff(piece)),
                np.flatnonzero(np.diff(piece)) + 1,
            )
        )
    ).astype(np.int64)
    return x[kept], y[kept], piece[kept]
