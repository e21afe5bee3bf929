"""The independent model of the box (tests/protocol/model.py), with what a campaign adds: restarts,
and a book of what went out for whom."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "protocol"))

from model import Model, Out, Refusal

from tallymark.box.wire.protocol_enumerations import Answer, Cause, Reason
from tallymark.virtual import DEFAULT_SERIAL

IDENTITY = {
    "major": 2, "minor": 0, "firmware": [0, 1, 0], "board": 1, "serial": DEFAULT_SERIAL,
    "window": 440, "history": 64, "longest_frame": 64, "steps": 1024, "edges": 128,
    "least_width": 1, "longest_width": 3_600_000_000, "capabilities": 502, "places": 32,
    "least_lead": 100,
}
"""What the virtual box says of itself."""


@dataclass
class Run:
    """A marker that was on the lines. start: counts the box's starts. width_us: None for a code
    that stays. asked: what the host asked for; None for a byte of the byte input."""

    start: int
    box_us: int
    life_us: int
    code: int
    width_us: int | None
    asked: Any


@dataclass
class Byte:
    """What the box says of a byte on its byte input. reason: 0 if it went out."""

    start: int
    box_us: int
    life_us: int
    code: int
    reason: int


class Law(NamedTuple):
    """What held for the lines when they moved. strobe: the bit of its line, or 0. start: the lines
    went to idle because the box started."""

    idle: int
    lines: int
    gap_us: int
    in_sequence: bool
    strobe: int
    lead_us: int
    start: bool = False


class BoxModel(Model):
    """What the box has to do and to say. `arriving` is the request that comes in now."""

    def __init__(self, went_out: Callable[[Run], None], byte_told: Callable[[Byte], None]) -> None:
        super().__init__()
        self.arriving: Any = None
        self.starts = 0
        self.born_us = 0
        self.cause = 0
        self.laws: list[Law] = []
        self._went_out = went_out
        self._byte_told = byte_told

    def start_again(self, cause: int, life_us: int) -> None:
        """Power comes back at `life_us`."""
        edges, laws = self.edges, self.laws
        self.starts += 1
        self.born_us = life_us
        self.cause = cause
        self.laws = []
        self.start(cause)
        self.edges = edges + self.edges
        self.laws = [*laws, self._law()._replace(start=True), *self.laws]

    def _put(self, code: int) -> None:
        before = len(self.edges)
        super()._put(code)
        if len(self.edges) > before:
            self.laws.append(self._law())

    def _law(self) -> Law:
        settings = self.settings
        in_sequence = self.playing is not None
        return Law(
            settings["idle"], settings["lines"], settings["gap"], in_sequence, settings["strobe"],
            settings["strobe_lead"],
        )

    def marker(self, marker: Out) -> None:
        """See the model; remembers who asked."""
        marker.asked = self.arriving  # type: ignore[attr-defined]
        super().marker(marker)

    def _accept(self, marker: Out, asked: int, expiry: int) -> None:
        marker.asked = self.arriving  # type: ignore[attr-defined]
        super()._accept(marker, asked, expiry)

    def _goes_out(self, marker: Out) -> None:
        super()._goes_out(marker)
        life_us = self.born_us + self.now
        asked = marker.asked  # type: ignore[attr-defined]
        self._went_out(Run(self.starts, self.now, life_us, marker.code, marker.width, asked))

    def _sequence_start(self, tag: int, repeats: int) -> None:
        super()._sequence_start(tag, repeats)
        life_us = self.born_us + self.now
        self._went_out(Run(self.starts, self.now, life_us, 0, None, self.arriving))

    def _sequence_start_at(self, tag: int, repeats: int, at: int) -> None:
        super()._sequence_start_at(tag, repeats, at)
        self.ahead[-1].asked = self.arriving  # type: ignore[attr-defined]

    def _begins(self) -> None:
        marker = self.ahead[0]
        super()._begins()
        if marker.repeats is not None:
            life_us = self.born_us + self.now
            asked = marker.asked  # type: ignore[attr-defined]
            self._went_out(Run(self.starts, self.now, life_us, 0, None, asked))

    def _tell_byte(self, byte: int, reason: int, lasted: int, delay: int, notes: int) -> None:
        super()._tell_byte(byte, reason, lasted, delay, notes)
        life_us = self.born_us + self.now
        self._byte_told(Byte(self.starts, self.now, life_us, byte, int(reason)))

    def _identify(self, tag: int, major: int, minor: int) -> None:
        if major != 2:
            raise Refusal(Reason.VERSION, 2)
        self._say(Answer.IDENTITY, tag, IDENTITY | {
            "cause": self.cause, "newest_tag": self.newest, "name": self.settings["name"],
            "session": self.session, "last_notice": (self.notices - 1) % 255 + 1,
        })

    def _restart(self, tag: int, into: int) -> None:
        if into > 1:
            raise Refusal(Reason.VALUE_RANGE)
        if into == 1:
            raise Refusal(Reason.UNSUPPORTED)
        for marker in list(self.ahead):
            self._take_back(marker, Reason.CANCELLED)
        if self.waiting:
            cancelled, self.waiting = self.waiting, None
            self._refuse_marker(cancelled, Refusal(Reason.CANCELLED, cancelled.lasted))
        self.out = self.playing = None
        self._show(0)
        self._done(tag)
        self._tell_edges()
        self.start_again(Cause.ASKED, self.born_us + self.now)
