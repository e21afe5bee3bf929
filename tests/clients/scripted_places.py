"""A box that says what a test tells it to, with eight places for markers ahead: one of these has no
end yet, and its place would be the next to be given away (PROTOCOL.md, section 6.1)."""

from __future__ import annotations

import time
from collections.abc import Callable
from threading import Event
from typing import Any

from scripted_box import Says, ScriptedBox, notice, says

from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import ANSWERS, NOTICES
from tallymark.box.wire.protocol_enumerations import NO_CUT, Answer, Notice, Request

PLACES = 8
FAR_US = 600_000_000
"""A box time that is surely still to come."""


class BoxWithPlaces(ScriptedBox):
    """far: number 1 waits for that time, and it is number 2 that has no end; otherwise number 1.
    is_out: set when the box is to say of that one that it went out; before, that it waits still."""

    def __init__(self, far: bool) -> None:
        self.is_out = Event()
        self.unheard = 1 + far
        accepted: list[Says] = [says(Answer.ACCEPTED, number=1 + k) for k in range(40)]
        super().__init__(
            {
                Request.TIMED: accepted,
                Request.FATE_OF_NUMBER: [self._tell_fate] * 1000,
                Request.CLOCK: [says(Answer.DONE, time=1)] * 100,
                Request.CANCEL: [says(Answer.DONE, time=1)],
            },
            capabilities=0x10,
            places=PLACES,
        )

    def _tell_fate(self, tag: int, asked: Any) -> bytes:
        fields = {
            "asked": 0, "outcome": 1 if self.is_out.is_set() else 4, "code": asked.number,
            "reason": 0, "time": asked.number, "lasted": NO_CUT, "delay": 0, "notes": 0,
            "number": asked.number,
        }  # fmt: skip
        return frame(Answer.FATE, tag, ANSWERS[Answer.FATE].build(fields))

    def fill(self, give: Callable[[int, int], Any], poll: Callable[[], Any]) -> None:
        """Gives as many markers as there are places; each has its number for code and time, and
        all but one are told as out. give(code, at_us): has the client send one. poll: has it take
        in what came."""
        heard = 1
        for number in range(1, PLACES + 1):
            is_far = number < self.unheard
            give(number, FAR_US if is_far else number)
            self.wait_for_markers(number, poll)
            poll()
            if number > self.unheard:
                heard += 1
                self.tell(_edge(heard, number))
                poll()

    def start(self) -> None:
        """It starts again, and says so."""
        self.session = 0
        self.tell(notice(Notice.STARTED, 1, major=2, minor=0, cause=1))

    def wait_for_markers(self, count: int, poll: Callable[[], Any]) -> None:
        """Until so many have come in."""
        deadline = time.monotonic() + 20
        while len(self.came(Request.TIMED)) < count:
            assert time.monotonic() < deadline
            poll()


def _edge(number: int, marker: int) -> bytes:
    fields = {"number": marker, "time": marker, "lasted": NO_CUT, "delay": 0, "notes": 0}
    body = NOTICES[Notice.MARKER_EDGE].build(fields | {"reason": 0})
    return frame(Notice.MARKER_EDGE, number, body)
