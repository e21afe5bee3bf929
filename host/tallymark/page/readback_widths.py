"""What the readback saw of each marker: its width as captured, another code, or nothing."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from tallymark.box.wire.answer_values import Edge

_BEFORE_US = 5
"""The capture may be that much before the time of the edge that the box tells."""
_SETTLING_US = 2_000
"""Lines that are slower than that are another matter: the self-test measures them."""
_AFTER_S = 0.1


class Readback(NamedTuple):
    """width_us: how long the readback had the code; None: not at all, or it has it still. code: the
    code that it had instead, 0: it did not move."""

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
        self._waiting: deque[tuple[int, int, int, int]] = deque(maxlen=5_000)

    def clear(self) -> None:
        """Box time began again."""
        self._edges.clear()
        self._waiting.clear()

    def add(self, edges: list[Edge]) -> None:
        """Edges in the order of time."""
        self._edges.extend(edges)

    def expect(self, row: int, box_us: int, code: int, width_us: int) -> None:
        """A pulse went out; `row` names it in the result."""
        self._waiting.append((row, box_us, code, width_us))

    def judged(self, now_us: float) -> list[tuple[int, Readback]]:
        """What can be told by the box time `now_us`, of those that were expected."""
        found = []
        while self._waiting:
            row, box_us, code, width_us = self._waiting[0]
            if now_us < box_us + width_us + _AFTER_S * 1e6:
                break
            self._waiting.popleft()
            found.append((row, self._judge(box_us, code, width_us)))
        return found

    def _judge(self, box_us: int, code: int, width_us: int) -> Readback:
        recent = []
        for edge in reversed(self._edges):  # the marker is near the end
            if edge.time_us < box_us - _BEFORE_US:
                break
            recent.append(edge)
        begin, most = None, 0
        last = box_us + min(width_us, _SETTLING_US)
        for edge in reversed(recent):
            seen = self._code(edge)
            if begin is not None:
                if seen != code:
                    return Readback(edge.time_us - begin, code)
            elif edge.time_us > last:
                break
            elif seen == code:
                begin = edge.time_us
            elif seen.bit_count() > most.bit_count():
                most = seen
        return Readback(None, most if begin is None else code)

    def _code(self, edge: Edge) -> int:
        return (edge.levels ^ self.idle_levels) & self.lines
