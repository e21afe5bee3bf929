"""A TCP port that leads to a virtual box and loses the frames that a test chooses."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from threading import Thread

from tallymark.box.wire.frames import Decoder
from tallymark.virtual import Server

Loses = Callable[[int, int], bool]
"""Whether a frame gets lost, told by its type and its tag."""


def _none(_kind: int, _tag: int) -> bool:
    return False


class LossyLink:
    """`where` is what a client opens. `loses_request` and `loses_answer` choose what is lost on the
    way to the box and from it; `lost` lists (type, tag) of what was. A context manager."""

    def __init__(self, server: Server) -> None:
        self.device = server.device
        self.loses_request: Loses = _none
        self.loses_answer: Loses = _none
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
                *frames, rest = (rest + data).split(b"\0")
                for frame in frames:
                    wire = frame + b"\0"
                    read = Decoder().feed(wire)
                    if read and loses()(*read[0][:2]):
                        self.lost.append(read[0][:2])
                    else:
                        target.sendall(wire)

    def __enter__(self) -> LossyLink:
        return self

    def __exit__(self, *_: object) -> None:
        for each in (self._client, self._box, self._listener):
            if each is not None:
                each.close()
