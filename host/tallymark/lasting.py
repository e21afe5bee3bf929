"""How long each marker of a log was on the lines."""

from __future__ import annotations

from typing import NamedTuple

from tallymark.markerlog import LogData


class _Turn(NamedTuple):
    """A moment at which the lines left what they had. Sorts by box start, box time and order.

    cut_us: how long the pulse lasted that was cut then. left_us: since when the lines had left the
    code before, None if nobody told. marker: which marker went out, None for none.
    """

    part: int
    box_us: int
    order: int
    cut_us: int | None
    left_us: int | None
    marker: int | None


def lasting(log: LogData) -> list[int | None]:
    """How long each marker of a log was on the lines, in microseconds, as far as the log tells.

    A pulse lasts its width, unless a later marker says how long it was when it was cut. A code that
    stays lasts until the lines took the next one or went to idle. None for markers that did not go
    out, for code 0, for what stayed to the end of the log, and where a marker of unknown fate may
    have come in between.
    """
    turns, doubtful = _turns(log)
    lasted: list[int | None] = [None] * len(log.markers)
    for turn, after in zip(turns, [*turns[1:], None], strict=True):
        at = turn.marker
        if at is None or not log.markers[at].code:
            continue
        marker = log.markers[at]
        known = after is not None and after.part == turn.part
        if known and after is not None and after.cut_us is not None:
            lasted[at] = after.cut_us
        elif not marker.stays:
            lasted[at] = None if at in doubtful else marker.width_us
        elif known and after is not None and after.left_us is not None and at not in doubtful:
            lasted[at] = after.left_us - turn.box_us
    return lasted


def _turns(log: LogData) -> tuple[list[_Turn], set[int]]:
    """What moved the lines, in order; and the markers after which one of unknown fate came."""
    turns: list[_Turn] = []
    doubtful: set[int] = set()
    before: int | None = None
    for at, marker in enumerate(log.markers):
        part, cut_us, box_us = marker.part, marker.cut_us, marker.box_us
        if marker.fate == "done" and box_us is not None:
            left_us = box_us - (marker.delay_us or 0)
            turns.append(_Turn(part, box_us, at, cut_us, left_us, at))
            before = at
        elif marker.why == "cancelled" and before is not None:
            # The lines were idle since it came, and nobody told when that was.
            when = box_us if box_us is not None else log.markers[before].box_us or 0
            turns.append(_Turn(part, when, at, cut_us, None, None))
        elif marker.fate == "unconfirmed" and before is not None:
            doubtful.add(before)
    turns += [
        _Turn(hold.part, hold.box_us, hold.at, None, hold.box_us, None) for hold in log.holds_ended
    ]
    return sorted(turns, key=lambda turn: turn[:3]), doubtful
