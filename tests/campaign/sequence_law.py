"""The law of sequences, read off the lines alone and what was asked for: the first step comes when
it was to come, and each other one at its time behind it, until the end, a stop or a start of the
box."""

from __future__ import annotations

from collections.abc import Callable

from promise_errors import Broken

from tallymark.box.wire import frames, layouts
from tallymark.box.wire.protocol_enumerations import Request

PROMISE = "sequence-at-its-time"


class SequenceLaw:
    """Follows the codes on the lines, without the strobe. Times in µs of the box.

    changes: those of the sequence that plays which are still to come, as (time, code)."""

    def __init__(self, count: Callable[[str], None]) -> None:
        self._count = count
        self._code = 0
        self._steps: list[tuple[int, int]] | None = None
        self._begin_us = 0
        self._changes: list[tuple[int, int]] = []
        self._is_followed = False

    def restart(self) -> None:
        """The box starts: nothing plays, and the lines are idle."""
        self._steps, self._changes, self._code = None, [], 0

    def begins(self, wire: bytes, begin_us: int, steps: list[tuple[int, int]]) -> None:
        """The box puts out the first of these steps (code, µs), as a request asked for."""
        message = frames.unpack(wire[:-1])
        assert message is not None
        if message[0] == Request.SEQUENCE_START_AT:
            at_us = layouts.REQUESTS[Request.SEQUENCE_START_AT].parse(message[2]).at
            self._count("sequences begun at a time")
            if begin_us % 2**32 != at_us:
                raise Broken(PROMISE, f"it began at {begin_us} µs, and not at {at_us} µs")
        self._steps, self._begin_us, self._is_followed = steps, begin_us, False

    def moved(self, at_us: int, code: int) -> None:
        """The lines took another code."""
        if self._steps is not None and at_us >= self._begin_us:
            self._follow()
            if not self._changes or self._changes[0] != (at_us, code):
                cut = code == 0 and (not self._changes or at_us < self._changes[0][0])
                if not cut:
                    raise Broken(
                        PROMISE, f"code {code} at {at_us} µs, and not {self._changes[:1]}"
                    )
                self._cut_us = at_us
            else:
                del self._changes[0]
        self._code = code

    def look(self, now_us: int, plays: bool, stopped_us: int | None) -> None:
        """What the lines have done until now is told. plays: the sequence goes on. stopped_us: when
        it was stopped, as the box tells it; None where it wasn't."""
        steps = self._steps
        if steps is None:
            return
        self._follow()
        if self._cut_us is not None and self._cut_us != stopped_us:
            raise Broken(PROMISE, f"it was cut at {self._cut_us} µs, and nobody was told")
        until_us = now_us if stopped_us is None else stopped_us
        is_over = not plays and stopped_us is None
        left = [each for each in self._changes if is_over or each[0] < until_us]
        if left:
            raise Broken(PROMISE, f"{left} never came")
        if plays:
            return
        begin_us = self._begin_us
        for _, hold_us in steps:
            if begin_us < until_us or stopped_us is None:
                self._count("steps of sequences")
            begin_us += hold_us
        self._steps, self._changes = None, []

    _cut_us: int | None = None

    def _follow(self) -> None:
        """Its first change is the next to come: which ones there are depends on the code before."""
        if self._is_followed or self._steps is None:
            return
        self._is_followed, self._cut_us = True, None
        at_us, before = self._begin_us, self._code
        self._changes = []
        for code, hold_us in [*self._steps, (0, 0)]:
            if code != before:
                self._changes.append((at_us, code))
            at_us, before = at_us + hold_us, code
