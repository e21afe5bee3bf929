"""Codes as the lines show them, for the alignment: faults of the wiring must not hide the place.

A line that is inverted, stuck or open makes each code another one. What a recording can be placed
by is which lines leave their idle level, among those that ever do.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from tallymark.recording.recording_data import Bools, Codes, RecordedEvents

if TYPE_CHECKING:
    from tallymark.recording.sent_markers import Sent


_BETTER, _MOST = 0.1, 3


@dataclass(frozen=True)
class Shown:
    """Codes of the log and of the events: lines that leave idle. 0 in `sent`: no line of this
    marker ever moved in the recording."""

    sent: Codes
    recorded: Codes


def as_lines_show(sent: Sent, recorded: RecordedEvents) -> Shown:
    """Codes as the lines show them. Those of lists of events, which tell of no lines, as given."""
    if recorded.active is None:
        return Shown(sent.code, recorded.code)
    moved = recorded.code ^ np.uint8(recorded.idle)
    code = _joined(sent.code, moved)
    used = int(np.bitwise_or.reduce(code))
    moving = 0xFF & ~(recorded.always_active | recorded.never_active)
    if moving & ~used:  # a line moves that the log does not use: one that does not may be there
        moving = 0xFF & ~recorded.always_active
    if not moving & used:
        return Shown(code, moved)
    return Shown(code & np.uint8(moving), moved & np.uint8(moving))


def _joined(sent: Codes, moved: Codes) -> Codes:
    """Codes of the log in which two lines are one that only ever moved together."""
    code = sent.copy()
    for a, b in combinations(range(8), 2):
        one, other = moved >> a & 1, moved >> b & 1
        if one.any() and (one == other).all() and ((sent >> a & 1) != (sent >> b & 1)).any():
            either = (code >> a | code >> b) & 1
            code |= (either << a) | (either << b)
    return code


def idle_codes(recorded: RecordedEvents, which: Bools) -> Codes:
    """The code of idle lines, as often as `which` holds."""
    return np.full(np.count_nonzero(which), recorded.idle, np.uint8)


def rewired(sent: Sent, recorded: RecordedEvents) -> list[Shown]:
    """Codes of the log with two lines swapped, or all in reverse order: the few wirings by which
    they occur much more as the recorded ones do, the best first."""
    moved = recorded.code ^ np.uint8(recorded.idle)
    orders = [list(range(8))[::-1]]
    for a, b in combinations(range(8), 2):
        order = list(range(8))
        order[a], order[b] = b, a
        orders.append(order)
    straight = _likeness(sent.code, moved)
    found = []
    for order in orders:
        code = np.zeros_like(sent.code)
        for line, source in enumerate(order):
            code |= (sent.code >> source & 1) << line
        likeness = _likeness(code, moved)
        if likeness > straight + _BETTER:
            found.append((likeness, code))
    found.sort(key=lambda pair: -pair[0])
    return [Shown(code, moved) for _, code in found[:_MOST]]


def _likeness(a: Codes, b: Codes) -> float:
    """How far two lists hold the same codes equally often, 0 to 1."""
    shares = [np.bincount(codes, minlength=256) / max(len(codes), 1) for codes in (a, b)]
    return float(np.minimum(*shares).sum())
