"""A request that is not a marker, on its way."""

from __future__ import annotations

from collections.abc import Callable

from tallymark.errors import TallymarkError
from tallymark.messages import Request


class Query:
    """A request that is not a marker, and its answer once it came.

    kind, body: type and body of the answer; kind is 0 while there is none.
    error: why there is none, or why the box refused.
    sent_s, received_s: host time just before the request went out, and when the answer came.
    """

    __slots__ = (
        "body",
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
        self.kind = 0
        self.body = b""
        self.error: TallymarkError | None = None
        self.on_end: Callable[[], None] | None = None

    @property
    def ended(self) -> bool:
        """Whether the answer came or was given up."""
        return self.kind != 0 or self.error is not None
