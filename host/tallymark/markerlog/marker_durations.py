"""How long each marker of a log was on the lines."""

from __future__ import annotations

from itertools import zip_longest
from typing import Literal, NamedTuple

from tallymark.markerlog import LogData


class _Transition(NamedTuple):
    """A moment at which the lines left what they had. Sorts by box start, box time and order.

    cut_us: how long the pulse lasted that was cut then. left_us: since when the lines had left the
    code before, None if unknown. marker: which marker went out, None for none.
    hold: the hold limit was over.
    """

    part: int
    box_us: int
    order: int
    cut_us: int | None
    left_us: int | None
    marker: int | None
    hold: bool = False


class LineDuration(NamedTuple):
    """How long a marker was on the lines, in microseconds, and what ended it.

    us: None if it isn't known. ended: 'width' (the box, in its time), 'next' (another code), 'zero'
    (code 0), 'hold' (the hold limit), 'open' (it stayed to the end of the log), 'unknown'; 'none'
    for what did not go out and for code 0. by: which marker of the log ended it.
    """

    us: int | None
    ended: Literal["width", "next", "zero", "hold", "open", "unknown", "none"]
    by: int | None = None


def durations(log: LogData) -> list[LineDuration]:
    """How long each marker of a log was on the lines, as far as the log tells.

    A pulse lasts its width, unless a later marker says how long it was when it was cut. A code that
    stays lasts until the lines took the next one or went to idle. It isn't known where a marker of
    unknown fate, or one that the log lost, may have come in between.
    """
    turns, doubtful = _transitions(log)
    lasted = [LineDuration(None, "none")] * len(log.markers)
    for turn, after in zip_longest(turns, turns[1:]):
        at = turn.marker
        if at is None or not log.markers[at].code:
            continue
        marker = log.markers[at]
        if after is None or after.part != turn.part:
            last = turn.part + 1 == len(log.sessions) or (
                log.sessions[turn.part + 1] != log.sessions[turn.part]
            )
            ended: Literal["open", "unknown"]
            ended = "open" if last and at not in doubtful else "unknown"
            after, rest = None, LineDuration(None, ended)
        else:
            rest = _ended(log, after, turn.box_us, at in doubtful)
        if after is not None and after.cut_us is not None and at not in doubtful:
            lasted[at] = rest._replace(us=after.cut_us)
        elif marker.stays or rest.ended == "unknown":
            lasted[at] = rest
        else:
            lasted[at] = LineDuration(marker.width_us, "width")
    return lasted


def _ended(log: LogData, after: _Transition, box_us: int, doubtful: bool) -> LineDuration:
    """The end of a code that stays."""
    if doubtful:
        return LineDuration(None, "unknown")
    us = None if after.left_us is None else after.left_us - box_us
    if after.hold:
        return LineDuration(us, "hold")
    zero = log.markers[after.order].code == 0
    return LineDuration(us, "zero" if zero else "next", after.order)


def _transitions(log: LogData) -> tuple[list[_Transition], set[int]]:
    """What moved the lines, in order; and the markers after which one of unknown fate came, or one
    that the log may lack."""
    turns: list[_Transition] = []
    doubtful: set[int] = set()
    before: int | None = None
    holes = {hole.at for hole in log.holes}
    for at, marker in enumerate(log.markers):
        if at in holes and before is not None:
            doubtful.add(before)
        part, cut_us, box_us = marker.part, marker.cut_us, marker.box_us
        if marker.fate == "done" and box_us is not None:
            left_us = box_us - (marker.delay_us or 0)
            turns.append(_Transition(part, box_us, at, cut_us, left_us, at))
            before = at
        elif marker.why == "cancelled" and before is not None:
            # The lines were idle since it came, and the log does not say when that was.
            when = box_us if box_us is not None else log.markers[before].box_us or 0
            turns.append(_Transition(part, when, at, cut_us, None, None))
        elif marker.fate == "unconfirmed" and before is not None:
            doubtful.add(before)
    if len(log.markers) in holes and before is not None:
        doubtful.add(before)
    turns += [
        _Transition(hold.part, hold.box_us, hold.at, None, hold.box_us, None, True)
        for hold in log.holds_ended
    ]
    return sorted(turns, key=lambda turn: turn[:3]), doubtful
