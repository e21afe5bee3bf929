"""A TCP port that opens as a box does, and then says what a test tells it to: what no real box
does, or none that the virtual box can be."""

from __future__ import annotations

import socket
from collections.abc import Callable
from threading import Thread
from typing import Any

from tallymark.box.settings import Settings
from tallymark.box.wire.frames import Decoder, frame, unpack
from tallymark.box.wire.layouts import ANSWERS, NOTICES, REQUESTS, SETTINGS_RECORD
from tallymark.box.wire.protocol_enumerations import (
    IN_SESSION,
    NO_CUT,
    Answer,
    Notice,
    Request,
)

Says = Callable[[int, Any], bytes]
"""What it says to a request: by its tag and the fields of its body."""

_IDENTITY = {
    "major": 2, "minor": 0, "firmware": (0, 1, 0), "board": 1, "serial": bytes(8), "cause": 1,
    "newest_tag": 0, "window": 440, "history": 64, "longest_frame": 64, "steps": 1024,
    "edges": 128, "least_width": 1, "longest_width": 3_600_000_000, "name": bytes(16),
    "session": 0, "capabilities": 6, "last_notice": 1, "places": 1, "least_lead": 0,
}  # fmt: skip
_FATE = {"code": 0, "reason": 0, "time": 0, "lasted": NO_CUT, "delay": 0, "notes": 0, "number": 0}


def silence(_tag: int, _fields: Any) -> bytes:
    """Says nothing."""
    return b""


def says(kind: Answer, **fields: Any) -> Says:
    """Says this answer."""
    return lambda tag, _asked: frame(kind, tag, ANSWERS[kind].build(fields))


def tells_fate(outcome: int, **fields: Any) -> Says:
    """Says what became of the marker that is asked for."""

    def answer(tag: int, asked: Any) -> bytes:
        found = _FATE | fields | {"asked": asked.asked, "outcome": outcome}
        return frame(Answer.FATE, tag, ANSWERS[Answer.FATE].build(found))

    return answer


def notice(kind: Notice, number: int, **fields: Any) -> bytes:
    """A notice as it is on the wire."""
    return frame(kind, number, NOTICES[kind].build(fields))


class ScriptedBox:
    """`where` is what a client opens. A context manager.

    script: what it says to a request, one thing after the other; nothing where there is no more.
    requests: what came in, as (request, tag, fields), the first words left out. session: the number
    in force. identity, origin: what differs in its identity, and where its settings are from.
    """

    def __init__(self, script: dict[Request, list[Says]] | None = None, **identity: Any) -> None:
        self.script = script or {}
        self.identity = identity
        self.origin = 0
        self.session = 0
        self.requests: list[tuple[Request, int, Any]] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._client: socket.socket | None = None
        self.where = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        Thread(target=self._serve, daemon=True).start()

    def tell(self, data: bytes) -> None:
        """Says something that was not asked for."""
        assert self._client is not None
        self._client.sendall(b"".join(map(self._marked, data.split(b"\0")[:-1])) or data)

    def _marked(self, piece: bytes) -> bytes:
        """With the mark of the session in force, as a box has it."""
        message = unpack(piece) if piece else None
        if message is None or not self.session or message[0] in (Answer.IDENTITY, Notice.STARTED):
            return piece + b"\0"
        kind, tag, body = message
        return frame(kind | IN_SESSION, tag, body)

    def end(self) -> None:
        """Breaks the connection."""
        assert self._client is not None
        self._client.shutdown(socket.SHUT_RDWR)

    def came(self, request: Request) -> list[tuple[int, Any]]:
        """Tag and fields of the requests of a type that came in."""
        return [(tag, fields) for kind, tag, fields in self.requests if kind == request]

    def _serve(self) -> None:
        try:
            self._client, _ = self._listener.accept()
            decoder = Decoder()
            while data := self._client.recv(4096):
                for kind, tag, body in decoder.feed(data):
                    request = Request(kind)
                    fields = REQUESTS[request].parse(body)
                    self.tell(self._answer(request, tag, fields))
        except OSError:
            pass  # the client has gone

    def _answer(self, request: Request, tag: int, fields: Any) -> bytes:
        if request not in (Request.IDENTIFY, Request.SETTINGS_READ):
            self.requests.append((request, tag, fields))
        if self.script.get(request):
            return self.script[request].pop(0)(tag, fields)
        if request is Request.IDENTIFY:
            identity = _IDENTITY | {"session": self.session} | self.identity
            return says(Answer.IDENTITY, **identity)(tag, fields)
        if request is Request.SESSION:
            self.session = fields.number
            return says(Answer.DONE, time=0)(tag, fields)
        if request is Request.SETTINGS_READ:
            record = SETTINGS_RECORD.parse(Settings().pack())
            return says(Answer.SETTINGS, origin=self.origin, kept=0, record=record)(tag, fields)
        return b""

    def __enter__(self) -> ScriptedBox:
        return self

    def __exit__(self, *_: object) -> None:
        for each in (self._client, self._listener):
            if each is not None:
                each.close()
