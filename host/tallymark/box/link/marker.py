"""A marker that was sent, and what became of it."""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from struct import Struct
from typing import NamedTuple, Protocol

from tallymark.box.link.clock import HostTime
from tallymark.box.wire.protocol_enumerations import NO_CUT, Answer, Note, Request
from tallymark.common.errors import Refused, TallymarkError, Unconfirmed


class Waiter(Protocol):
    """What a marker needs of its link."""

    def wait_for(self, ready: Callable[[], bool], timeout: float | None = None) -> bool:
        """Waits until `ready()`; False if `timeout` seconds were over first."""


class Outcome(Enum):
    """What is known of a marker."""

    OPEN = "open"
    """Sent; the answer is on its way."""
    ACCEPTED = "accepted"
    """The box will put it out at its time."""
    DONE = "done"
    """It went out, and its box time is known."""
    REFUSED = "refused"
    """The box refused it: it did not go out."""
    UNCONFIRMED = "unconfirmed"
    """Nobody knows whether it went out. It was not sent again."""


class Result(NamedTuple):
    """What became of a marker. Times are in microseconds."""

    outcome: Outcome
    box_time_us: int | None = None
    cut_lasted_us: int | None = None
    delay_us: int | None = None
    error: TallymarkError | None = None
    no_edge: bool = False
    host_time: HostTime | None = None


class Marker:
    """One marker request. Made by `Box.pulse`, `Box.set` and `Sequence.start`.

    number: counts the markers of this connection, from 1.
    code: 0 to 255.
    request: `Request.PULSE`, `PULSE_FOR`, `SET`, `TIMED`, `SEQUENCE_START` or `SEQUENCE_START_AT`.
    width_us: the width that was asked for; None for the width of the settings, or none at all.
    sent_s: host time (`Box.pacing.now()`) just before it was handed to the port.
    held_back_s: how long it had to wait before that, for room in the box's receive window, or until
        the box was asked for an older marker whose answer is missing.
    at_us: the box time for which a marker ahead was given; None for one that goes out at once.
    ahead_number: that marker's number in the box, once it was accepted; 0 otherwise.
    due_s: host time by which its edge has to be out.
    after_us: the newest box time that was known when it was sent: its own is not before that.
    """

    __slots__ = (
        "_result",
        "_waiter",
        "after_us",
        "ahead_number",
        "asked_s",
        "at_us",
        "code",
        "due_s",
        "held_back_s",
        "number",
        "request",
        "room",
        "sent_s",
        "tag",
        "width_us",
    )

    def __init__(
        self,
        waiter: Waiter,
        request: Request,
        tag: int,
        number: int,
        code: int,
        width_us: int | None,
        room: int,
        sent_s: float,
        held_back_s: float,
    ) -> None:
        self._waiter = waiter
        self.request = request
        self.tag = tag
        self.number = number
        self.code = code
        self.width_us = width_us
        self.room = room  # bytes of the window that it holds; 0 once they were given back
        self.sent_s = self.asked_s = sent_s
        self.held_back_s = held_back_s
        self.at_us: int | None = None
        self.ahead_number = 0
        self.due_s = 0.0
        self.after_us = 0
        self._result: Result | None = None

    @property
    def outcome(self) -> Outcome:
        """What is known now, without waiting."""
        if self._result is not None:
            return self._result.outcome
        return Outcome.ACCEPTED if self.ahead_number else Outcome.OPEN

    @property
    def ended(self) -> bool:
        """Whether its story is over: nothing more will be heard of it."""
        return self._result is not None

    @property
    def box_time_us(self) -> int | None:
        """Box time of the edge; None unless the marker is done."""
        return self._result.box_time_us if self._result else None

    @property
    def cut_lasted_us(self) -> int | None:
        """How long the earlier pulse lasted that this marker cut; None: none was cut."""
        return self._result.cut_lasted_us if self._result else None

    @property
    def delay_us(self) -> int | None:
        """How long this marker waited in the box for its gap, or how much later than asked a marker
        ahead went out, because it came too late; None if that isn't known."""
        if self.at_us is not None and self.box_time_us is not None:
            # The box knows of no delay where it came after its time, and went out at once.
            return max(0, self.box_time_us - self.at_us)
        return self.told_delay_us

    @property
    def told_delay_us(self) -> int | None:
        """The delay that the box itself told of."""
        return self._result.delay_us if self._result else None

    @property
    def host_time(self) -> HostTime | None:
        """Host time of the edge of a marker ahead, with its bound; None for others
        (`Box.to_host_time` converts their box times), and unless it is done."""
        return self._result.host_time if self._result else None

    @property
    def no_edge(self) -> bool:
        """Whether it went out though the lines had the levels of this code already, so that none
        of them changed: a receiver sees no new marker."""
        return self._result is not None and self._result.no_edge

    @property
    def error(self) -> TallymarkError | None:
        """`Refused` or `Unconfirmed` for a marker that is not done."""
        return self._result.error if self._result else None

    def wait(self, timeout: float | None = None) -> Marker:
        """Waits for the box's answer, of a marker ahead for its edge, and returns the marker.

        timeout: seconds; None waits until the library gives up by itself, which takes about a
        second after an answer went missing.

        Raises Refused, Unconfirmed (also when `timeout` is over first), or PortGone.
        """
        if self._result is None:
            self._waiter.wait_for(lambda: self._result is not None, timeout)
        if self._result is None:
            raise Unconfirmed(
                f"The box did not answer within {timeout:g} s; the answer may still come."
                if not self.ahead_number
                else f"The marker was accepted, but its edge did not come within {timeout:g} s; it "
                     "may still come. Cancel it if it must not.",
                [(self.number, self.code)],
            )
        if self._result.error is not None:
            raise self._result.error
        return self

    def accepted(self, number: int) -> None:
        """Called by the link when the box has accepted it."""
        self.ahead_number = number

    def resolve(self, result: Result) -> None:
        """Called by the link, once."""
        self._result = result

    def __repr__(self) -> str:
        width = "" if self.width_us is None else f" width {self.width_us} µs"
        time = "" if self.box_time_us is None else f" at {self.box_time_us} µs"
        return f"<Marker {self.number} code {self.code}{width} {self.outcome.value}{time}>"


_DONE_LENGTH = 8
_REFUSED_LENGTH = 6
_noted = Struct("<QIIB")


def result_of(request: Request, kind: int, body: bytes) -> Result | None:
    """What an answer to a marker request says; None for an answer that can't be one. Later versions
    may have put something behind what is known."""
    length = len(body)
    if kind == Answer.DONE and length >= _DONE_LENGTH:
        return Result(Outcome.DONE, int.from_bytes(body[:_DONE_LENGTH], "little"), None, 0)
    if kind == Answer.DONE_NOTED and length >= _noted.size:
        time, lasted, delay, notes = _noted.unpack_from(body)
        cut = None if lasted == NO_CUT else lasted
        return Result(Outcome.DONE, time, cut, delay, no_edge=bool(notes & Note.NO_EDGE))
    if kind == Answer.REFUSED and length >= _REFUSED_LENGTH:
        error = Refused(body[1], int.from_bytes(body[2:_REFUSED_LENGTH], "little"), request)
        return Result(Outcome.REFUSED, error=error)
    return None
