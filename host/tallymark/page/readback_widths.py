"""What the readback saw of each marker: its width as captured, another code, or nothing."""

from __future__ import annotations

from collections import deque
from typing import Any, NamedTuple

from tallymark.box.wire.answer_values import Edge

_BEFORE_US = 5
"""The capture may be that much before the time of the edge that the box tells."""
_SETTLING_US = 2_000
"""Lines that are slower than that are another matter: the self-test measures them."""
_AFTER_US = 100_000
_NOT_CAPTURED = float("inf")
_LATE_US = 1_000_000
"""So long what was captured may be on its way before it is said that a code was not seen."""


class Readback(NamedTuple):
    """width_us: how long the readback had the code; None: not at all, or it has it still. code: the
    code that it had, which may be another; 0: it did not move."""

    width_us: int | None
    code: int | None


class ReadbackWidths:
    """Compares markers with the captured readback. One thread at a time.

    idle_levels, lines: of the settings in force; the lines are those that codes have.
    """

    def __init__(self, idle_levels: int, lines: int) -> None:
        self.idle_levels = idle_levels
        self.lines = lines
        self._edges: deque[Edge] = deque(maxlen=20_000)
        self._waiting: deque[tuple[dict[str, Any], int, int, int | None]] = deque(maxlen=5_000)
        self._blind_until_us = _NOT_CAPTURED

    def clear(self) -> None:
        """Box time began again."""
        self._edges.clear()
        self.rest()

    def rest(self) -> None:
        """Nothing is captured until the next edge comes: the first one of a capture, which tells
        the level at its start. Nothing is said of that time."""
        self._waiting.clear()
        self._blind_until_us = _NOT_CAPTURED

    def miss(self, edges: list[Edge]) -> None:
        """Some edges before the last one of these are missing: nothing is said of that time."""
        self._waiting.clear()
        if edges:
            self._blind_until_us = edges[-1].time_us

    def add(self, edges: list[Edge]) -> None:
        """Edges in the order of time."""
        if edges and self._blind_until_us == _NOT_CAPTURED:
            self._blind_until_us = edges[0].time_us
        self._edges.extend(edges)

    def expect(
        self, row: dict[str, Any], box_us: int, code: int, width_us: int | None
    ) -> None:
        """A marker went out; `row` comes back with the result. width_us: None if it stays."""
        if box_us > self._blind_until_us:
            self._waiting.append((row, box_us, code, width_us))

    def judged(self, now_us: float) -> list[tuple[dict[str, Any], Readback]]:
        """What can be told by the box time `now_us`, of those that were expected."""
        found = []
        while self._waiting:
            row, box_us, code, width_us = self._waiting[0]
            ended = box_us + (width_us or 0)
            if now_us < ended + _AFTER_US:
                break
            seen = self._judge(box_us, code, width_us)
            if seen.code != code and now_us < ended + _LATE_US:
                break
            self._waiting.popleft()
            found.append((row, seen))
        return found

    def _judge(self, box_us: int, code: int, width_us: int | None) -> Readback:
        recent, before = [], 0
        for edge in reversed(self._edges):  # the marker is near the end
            if edge.time_us < box_us - _BEFORE_US:
                before = self._code(edge)
                break
            recent.append(edge)
        begin, most = None, 0
        last = box_us + min(width_us or _SETTLING_US, _SETTLING_US)
        if not recent or recent[-1].time_us > last:  # it did not move: it has what it had
            return Readback(None, before)
        for edge in reversed(recent):
            seen = self._code(edge)
            if begin is not None:
                if seen != code:
                    return Readback(edge.time_us - begin, code)
            elif edge.time_us > last:
                break
            elif seen == code:
                begin = edge.time_us
            elif width_us is None or seen.bit_count() > most.bit_count():
                most = seen
        return Readback(None, most if begin is None else code)

    def _code(self, edge: Edge) -> int:
        return (edge.levels ^ self.idle_levels) & self.lines
