"""Codes that come later than others, because the line that carries them is slow.

Where codes of one line each take turns, a slow line shows only in this: the offset between
recording and log goes up and down with the code. That is no loss of samples.
"""

from __future__ import annotations

import numpy as np

from tallymark.recording.recording_data import Codes, Floats

AROUND = 15  # events among which a code's lateness is judged
LEAST = 3  # events of a code
STEP = 1.5  # grains by which the offset of neighbours differs surely
FEWER = 1 / 3  # of the steps may be left if lateness is to explain them


def late_codes(offset: Floats, code: Codes, grain: float) -> dict[int, float]:
    """How much later each code comes than the earliest one, in microseconds; empty if the steps of
    the offset don't go with the code.

    Args:
        offset: recorded minus log time on the even clock, of the events in order (shape (n,)).
        code: of the events.
        grain: resolution of recorded times, microseconds.
    """
    if len(offset) < 2 * AROUND:
        return {}
    window = np.lib.stride_tricks.sliding_window_view(
        np.pad(offset, AROUND // 2, mode="edge"), AROUND
    )
    away = offset - np.median(window, axis=1)
    kinds, counts = np.unique(code, return_counts=True)
    late = np.zeros(256)
    for kind in kinds[counts >= LEAST]:
        late[kind] = np.median(away[code == kind])
    late[kinds] -= late[kinds].min()
    steps, left = (_steps(off, grain) for off in (offset, offset - late[code]))
    if steps < 2 or left > FEWER * steps:
        return {}
    return {int(kind): float(late[kind]) for kind in kinds}


def _steps(offset: Floats, grain: float) -> int:
    return int((np.abs(np.diff(offset)) > STEP * grain).sum())
