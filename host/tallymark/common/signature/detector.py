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
from functools import cache

import numpy as np
from numpy.typing import NDArray

from tallymark.common.signature.pattern import (
    INTERVALS,
    LONGEST,
    PULSES,
    SHORTEST,
    UNITS_US,
    Signature,
    checksum,
)

TOLERANCE = 0.4  # units by which an event may be off the grid
_AT_ONCE = 1 << 15  # runs

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
                for place, start, off in _sound(at, first, unit):
                    where = events[place : place + PULSES]
                    slots = np.round((at[place : place + PULSES] - start) / unit)
                    signature = Signature.spelled(tuple(np.diff(slots).astype(int).tolist()))
                    if signature is not None:
                        found.append(Found(signature, unit, int(value), where, start, off))
    found.sort(key=lambda one: one.start_us)
    return _apart(found)


def _runs(at: Floats, unit: int) -> Iterator[Ints]:
    """First events of runs whose intervals are about as long as a signature's, some at a time."""
    step = np.diff(at) / unit
    good = (step > SHORTEST - 2 * TOLERANCE) & (step < LONGEST + 2 * TOLERANCE)
    total = np.concatenate(([0], np.cumsum(good)))
    whole = np.flatnonzero(total[INTERVALS:] - total[:-INTERVALS] == INTERVALS)
    for begin in range(0, len(whole), _AT_ONCE):
        yield whole[begin : begin + _AT_ONCE]


def _sound(at: Floats, first: Ints, unit: int) -> Iterator[tuple[int, float, float]]:
    """Of runs the sound ones: first event, time of the first by the grid, how far they are off."""
    time = at[first[:, None] + np.arange(PULSES)]
    place = (time - time[:, :1]) / unit
    # Around the circle of one unit, all lie on the arc that the widest gap leaves; its middle is
    # where the grid comes nearest to all.
    around = np.sort(place - np.floor(place), axis=1)
    gaps = np.empty_like(around)
    np.subtract(around[:, 1:], around[:, :-1], out=gaps[:, :-1])
    gaps[:, -1] = 1.0 + around[:, 0] - around[:, -1]
    widest = gaps.argmax(axis=1)
    rows = np.arange(len(first))
    half = (1.0 - gaps[rows, widest]) / 2
    near = half <= TOLERANCE
    first, rows, half, time, place = first[near], rows[near], half[near], time[near], place[near]
    phase = around[rows, widest[near]] - half
    slot = np.round(place - phase[:, None]).astype(np.int64)
    digits = np.diff(slot, axis=1) - SHORTEST
    good = ((digits >= 0) & (digits <= LONGEST - SHORTEST)).all(axis=1)
    good[good] = _is_checked(digits[good] @ (1 << np.arange(3 * (INTERVALS - 1), -1, -3)))
    start = time[:, 0] + (phase + slot[:, 0]) * unit
    for row in np.flatnonzero(good).tolist():
        yield int(first[row]), float(start[row]), float(half[row] * unit)


def _is_checked(word: Ints) -> NDArray[np.bool_]:
    """Whether the checksums of words are right. That of a payload is put together from those of its
    halves."""
    payload = word >> 16
    upper, lower = _halves()
    right: NDArray[np.bool_] = (upper[payload >> 13] ^ lower[payload & 0x1FFF]) == (word & 0xFFFF)
    return right


@cache
def _halves() -> tuple[Ints, Ints]:
    none = checksum(0)
    upper = np.array([checksum(half << 13) ^ none for half in range(1 << 13)], np.int64)
    lower = np.array([checksum(half) for half in range(1 << 13)], np.int64)
    return upper, lower


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
