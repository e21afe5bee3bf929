"""A TCP port that leads to a virtual box and loses, repeats or alters what a test chooses."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from threading import Thread

from tallymark.box.wire.frames import Decoder, frame
from tallymark.box.wire.protocol_enumerations import IN_SESSION
from tallymark.virtual import Server

Loses = Callable[[int, int], bool]
"""Whether a frame gets lost, told by its type and its tag."""
Alters = Callable[[int, bytes], bytes]
"""The body that arrives of a message from the box, told by its type and its body."""


def _none(_kind: int, _tag: int) -> bool:
    return False


class LossyLink:
    """`where` is what a client opens. `loses_request` and `loses_answer` choose what is lost on the
    way to the box and from it; `lost` lists (type, tag) of what was. `repeats` chooses what arrives
    twice, in both directions; `alters` is what becomes of bodies from the box. A context manager.
    """

    def __init__(self, server: Server) -> None:
        self.device = server.device
        self.loses_request: Loses = _none
        self.loses_answer: Loses = _none
        self.repeats: Loses = _none
        self.alters: Alters = lambda _kind, body: body
        self.lost: list[tuple[int, int]] = []
        host, port = server.where.removeprefix("socket://").split(":")
        self._box = socket.create_connection((host, int(port)))
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.where = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._client: socket.socket | None = None
        Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            self._client, _ = self._listener.accept()
            there = (self._box, self._client, lambda: self.loses_answer)
            Thread(target=self._carry, args=there, daemon=True).start()
            self._carry(self._client, self._box, lambda: self.loses_request)

    def _carry(
        self, source: socket.socket, target: socket.socket, loses: Callable[[], Loses]
    ) -> None:
        rest = b""
        with contextlib.suppress(OSError):
            while data := source.recv(4096):
                *pieces, rest = (rest + data).split(b"\0")
                for piece in pieces:
                    wire = piece + b"\0"
                    read = Decoder().feed(wire)
                    if not read:
                        target.sendall(wire)
                        continue
                    kind, tag, body = read[0]
                    mark = kind & IN_SESSION if source is self._box else 0
                    kind -= mark
                    if loses()(kind, tag):
                        self.lost.append((kind, tag))
                        continue
                    if source is self._box:
                        wire = frame(kind | mark, tag, self.alters(kind, body))
                    target.sendall(wire * (2 if self.repeats(kind, tag) else 1))

    def inject(self, wire: bytes) -> None:
        """Sends bytes to the box that the client does not know of."""
        self._box.sendall(wire)

    def __enter__(self) -> LossyLink:
        return self

    def __exit__(self, *_: object) -> None:
        for each in (self._client, self._box, self._listener):
            if each is not None:
                each.close()
