"""Signatures among recorded events.

Sound is a run of 15 events of one code whose times lie on a grid of one of the units, none farther
from it than `TOLERANCE`, and 9 to 16 units apart, if the checksum is right. The code may be any: a
line that is open or inverted changes all pulses of a signature alike.

An event that is missing makes an interval of 18 units or more, an additional one splits an interval
into parts of which one is shorter than 9: both are always noticed. One event that is off by a unit
or more changes two neighbouring intervals, 6 bits at most, which the checksum always finds. Of runs
in which everything is random, it takes 1 in 65,536.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tallymark.signature.pattern import INTERVALS, LONGEST, PULSES, SHORTEST, UNITS_US, Signature

TOLERANCE = 0.4  # units by which an event may be off the grid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Found:
    """A signature in a recording. events: numbers of its 15 events; code: as recorded. start_us:
    its first edge on the recording's clock, as all 15 together tell. off_us: how far the event that
    is worst is off the grid."""

    signature: Signature
    unit_us: int
    code: int
    events: Ints
    start_us: float
    off_us: float


def find(time_us: NDArray[np.floating], code: NDArray[np.integer]) -> list[Found]:
    """Finds the signatures in recorded events, in order of time.

    Args:
        time_us, code: of each event (shape (n,)), in order of time.
    """
    found = []
    counts = np.bincount(np.asarray(code, np.int64), minlength=256)
    for value in np.flatnonzero(counts >= PULSES):
        events = np.flatnonzero(code == value)
        at = np.asarray(time_us, float)[events]
        for unit in UNITS_US:
            for first in _runs(at, unit):
                one = _sound(at[first : first + PULSES], unit)
                if one is not None:
                    signature, start, off = one
                    where = events[first : first + PULSES]
                    found.append(Found(signature, unit, int(value), where, start, off))
    found.sort(key=lambda one: one.start_us)
    return _apart(found)


def _runs(at: Floats, unit: int) -> Iterator[int]:
    """First events of runs whose intervals are about as long as a signature's."""
    step = np.diff(at) / unit
    good = (step > SHORTEST - 2 * TOLERANCE) & (step < LONGEST + 2 * TOLERANCE)
    total = np.concatenate(([0], np.cumsum(good)))
    whole = total[INTERVALS:] - total[:-INTERVALS] == INTERVALS
    yield from np.flatnonzero(whole).tolist()


def _sound(at: Floats, unit: int) -> tuple[Signature, float, float] | None:
    """What 15 times spell, the time of the first by the grid, and how far they are off."""
    place = (at - at[0]) / unit
    # Around the circle of one unit, all lie on the arc that the widest gap leaves; its middle is
    # where the grid comes nearest to all.
    around = np.sort(place % 1.0)
    gaps = np.append(np.diff(around), 1.0 + around[0] - around[-1])
    widest = int(gaps.argmax())
    half = float(1.0 - gaps[widest]) / 2
    if half > TOLERANCE:
        return None
    phase = float(around[widest] - half)
    slot = np.round(place - phase)
    signature = Signature.spelled(tuple(np.diff(slot).astype(int).tolist()))
    if signature is None:
        return None
    return signature, float(at[0] + (phase + slot[0]) * unit), half * unit


def _apart(found: list[Found]) -> list[Found]:
    """Those that share no event with another: of two that do, neither is to be trusted."""
    owner: dict[int, int] = {}
    shared = set()
    for number, one in enumerate(found):
        for event in one.events.tolist():
            if event in owner:
                shared |= {number, owner[event]}
            owner[event] = number
    return [one for number, one in enumerate(found) if number not in shared]
