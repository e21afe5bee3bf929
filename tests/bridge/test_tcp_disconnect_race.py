"""Two threads work on a TCP port's connections: what each sees while the other is halfway."""

from __future__ import annotations

import socket
import time
from typing import Any

import pytest

from tallymark.bridge.tcp_port import TcpPort

PATIENCE_S = 30.0


class SlowToReturn:
    """A connection whose bytes are taken a while before `recv` returns them, as when the system
    runs another thread at that moment."""

    def __init__(self, connection: socket.socket, meanwhile: Any) -> None:
        self._connection = connection
        self._meanwhile = meanwhile

    def recv(self, size: int, flags: int = 0) -> bytes:
        data = self._connection.recv(size, flags)
        if not flags:
            self._meanwhile()
        return data

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)


@pytest.fixture
def port() -> Any:
    port = TcpPort(lambda text, **_: None, 0)
    yield port
    port.close()


def receive(port: TcpPort) -> bytes:
    end = time.monotonic() + PATIENCE_S
    while not (data := port.receive()):
        assert time.monotonic() < end
    return data


def test_a_program_that_sent_all_and_left_is_not_gone_before_its_bytes(port: TcpPort) -> None:
    host, number = port.where.split(":")
    with socket.create_connection((host, int(number))) as client:
        client.sendall(b"\x24\x25")
    end = time.monotonic() + PATIENCE_S
    while not port._visitors:
        assert time.monotonic() < end
        time.sleep(0.001)
    visitor = port._visitors[0]
    visitor.connection = SlowToReturn(  # type: ignore[assignment]
        visitor.connection, lambda: port._look_at_second(visitor)
    )
    assert receive(port) == b"\x24\x25"
    assert port.receive() is None  # it has left, after its bytes
    assert port.is_empty()
