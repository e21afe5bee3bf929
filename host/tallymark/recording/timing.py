"""How the recording keeps time against the box: offset, drift and jitter, with their bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tallymark.recording.model import Floats, Ints

LEAST = 3  # pairs


@dataclass
class Timing:
    """How the recording keeps time against the box.

    drift_ppm: how much faster the recording's clock runs; drift_error_ppm: 95 % uncertainty.
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
    x, y = sent.astype(float).copy(), recorded.astype(float).copy()
    first = piece == piece[0]
    for number in np.unique(piece):
        here = piece == number
        x[here] -= sent[here].mean()
        y[here] -= recorded[here].mean()
    square = float(x @ x)
    if square == 0:
        return Timing()
    slope = float(x @ y) / square
    off = y - slope * x
    limit = None if sample_us is None else sample_us / np.sqrt(12)
    error = _error(x, off, piece, limit or 0.0, sample_us or 0.0)
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


def _error(x: Floats, off: Floats, piece: Ints, limit: float, sample: float) -> float:
    """95 % uncertainty of the slope.

    Sampling errors of markers at a constant interval are not independent: they drift through the
    sample. So the pairs count as fewer, by how alike neighbours' residuals are. Besides, two times
    that are each off by half a sample allow no more than 1.5 samples of slope over the whole.
    """
    spread = max(float(np.std(off)), limit)
    pieces = len(np.unique(piece))
    near = off[1:][piece[1:] == piece[:-1]] * off[:-1][piece[1:] == piece[:-1]]
    alike = float(near.mean() / max(np.var(off), 1e-12)) if len(near) else 0.0
    alike = min(max(alike, 0.0), 1 - 1 / len(off))
    fewer = (1 + alike) / (1 - alike)
    free = max(len(off) - pieces - 1, 1)
    square = float(x @ x)
    independent = _student(free / fewer) * spread * np.sqrt(fewer * len(off) / free / square)
    # The largest slope that errors of up to half a sample can add: their sum of |x| / square.
    most = float(np.abs(x).sum()) * max(float(np.abs(off).max()), sample / 2) / square
    return min(independent, most)


def _student(free: float) -> float:
    """97.5 % point of Student's distribution, by its expansion at the normal one."""
    free = max(free, 1.0)
    if free < 3:
        return 12.71 if free < 1.5 else 4.31
    z = 1.96
    return z + (z**3 + z) / (4 * free) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * free**2)
