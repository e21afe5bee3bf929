"""A request that is not a marker, on its way."""

from __future__ import annotations

from collections.abc import Callable

from tallymark.box.wire.layouts import ANSWERS, LIST_HEADS
from tallymark.box.wire.protocol_enumerations import ANSWER_TO, PROTOCOL_MAJOR, Answer, Request
from tallymark.common.errors import TallymarkError

ANSWER_SECONDS = 0.5
"""An answer that takes longer is overdue: a hundred times a slow round trip."""


class Query:
    """A request that is not a marker, and its answer once it came.

    asked: body of the request. kind, body: type and body of the answer; kind is 0 while there is
    none.
    bytes_reported: how many bytes of the byte input the box had reported when the answer came.
    error: why there is none, or why the box refused.
    sent_s, received_s: host time just before the request went out, and when the answer came.
    """

    __slots__ = (
        "asked",
        "body",
        "bytes_reported",
        "error",
        "kind",
        "on_end",
        "received_s",
        "request",
        "room",
        "seconds",
        "sent_s",
        "tag",
    )

    def __init__(
        self, request: Request, tag: int, room: int, sent_s: float, seconds: float
    ) -> None:
        self.request = request
        self.tag = tag
        self.room = room  # bytes of the window that it holds; 0 once they were given back
        self.sent_s = self.received_s = sent_s
        self.seconds = seconds  # after which the answer is overdue
        self.asked = b""
        self.kind = 0
        self.bytes_reported = 0
        self.body = b""
        self.error: TallymarkError | None = None
        self.on_end: Callable[[], None] | None = None

    def fits(self, kind: int, body: bytes) -> bool:
        """Whether a message can be the answer to this request."""
        if kind != ANSWER_TO[self.request]:
            return False
        if kind in LIST_HEADS:
            return len(body) >= LIST_HEADS[kind]  # and any number of entries
        # The first two bytes tell the version; of another one nothing more is known.
        other_version = kind == Answer.IDENTITY and body[:1] != bytes((PROTOCOL_MAJOR,))
        return len(body) >= ANSWERS[Answer(kind)].sizeof() or (other_version and len(body) > 1)

    @property
    def ended(self) -> bool:
        """Whether the answer came or was given up."""
        return self.kind != 0 or self.error is not None
