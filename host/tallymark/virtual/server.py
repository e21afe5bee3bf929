"""Offers a virtual box to other programs, on a pseudo-terminal or on a loopback TCP port.

One program at a time: a pseudo-terminal is opened exclusively by the client (`Box.open` does), and
a second TCP connection is closed at once. A client that does not read makes the box lose messages,
which it counts, as a real box does. What the box sends while no TCP client is connected is dropped
and not counted, since the next client should not get answers that were meant for another one.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
from threading import Thread

from tallymark.box.ports.timebase import host_time_ns
from tallymark.virtual.virtual_box import VirtualBox

_READ_MOST = 4096
_LOOK_SECONDS = 0.2


class Server:
    """A virtual box in real time, for other programs. A context manager.

    device: the box; its time is moved along with the computer's clock.
    tcp: offer it on a loopback TCP port (the only way on Windows) instead of a pseudo-terminal.
    tcp_port: 0 lets the system choose one.
    byte_input: offer its byte input too, in the same way.

    `where` is what a client opens: a path, or a `socket://` URL. `byte_where` likewise.
    """

    def __init__(
        self,
        device: VirtualBox,
        *,
        tcp: bool = os.name != "posix",
        tcp_port: int = 0,
        byte_input: bool = False,
    ) -> None:
        self.device = device
        self._born_us = host_time_ns() // 1000 - device.life_us
        self._selector = selectors.DefaultSelector()
        self._stopping = False
        self._thread: Thread | None = None
        self._main = _end(tcp, tcp_port)
        self._bytes = _end(tcp, 0) if byte_input else None
        self.where = self._main.where
        self.byte_where = self._bytes.where if self._bytes else None

    def start(self) -> Server:
        """Serves in a thread of its own."""
        self._thread = Thread(target=self.run, name="virtual box", daemon=True)
        self._thread.start()
        return self

    def run(self) -> None:
        """Serves until `stop`."""
        ends = [end for end in (self._main, self._bytes) if end is not None]
        for end in ends:
            end.register(self._selector)
        unsent = b""
        while not self._stopping:
            unsent = unsent or self.device.take()
            unsent = self._main.send(unsent)
            self._selector.select(0.005 if unsent else self._until_event())
            self.device.advance(host_time_ns() // 1000 - self._born_us)
            if data := self._main.receive():
                self.device.receive(data)
            if self._bytes is not None and (data := self._bytes.receive()):
                self.device.byte_input(data)
        for end in ends:
            end.close()
        self._selector.close()

    def _until_event(self) -> float:
        event = self.device.next_us()
        if event is None:
            return _LOOK_SECONDS
        left = event - (host_time_ns() // 1000 - self._born_us)
        return min(_LOOK_SECONDS, max(0.0, left * 1e-6))

    def stop(self) -> None:
        """Ends the service, as if the box were unplugged. May be called twice."""
        self._stopping = True
        if self._thread is not None:
            self._thread.join()

    def __enter__(self) -> Server:
        return self if self._thread else self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()


def _end(tcp: bool, tcp_port: int) -> _Terminal | _Listener:
    return _Listener(tcp_port) if tcp else _Terminal()


class _Terminal:
    """The master side of a pseudo-terminal."""

    def __init__(self) -> None:
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        # Our own descriptor of the other side stays open, so that clients may come and go.
        self.where = os.ttyname(self._slave)

    def register(self, selector: selectors.BaseSelector) -> None:
        selector.register(self._master, selectors.EVENT_READ)

    def receive(self) -> bytes:
        with contextlib.suppress(BlockingIOError):
            return os.read(self._master, _READ_MOST)
        return b""

    def send(self, data: bytes) -> bytes:
        """Sends what can be sent now; returns the rest."""
        with contextlib.suppress(BlockingIOError):
            return data[os.write(self._master, data) :] if data else b""
        return data

    def close(self) -> None:
        os.close(self._master)
        os.close(self._slave)


class _Listener:
    """A loopback TCP port that takes one client at a time."""

    def __init__(self, port: int) -> None:
        self._server = socket.create_server(("127.0.0.1", port))
        self._server.setblocking(False)
        self._client: socket.socket | None = None
        self.where = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def register(self, selector: selectors.BaseSelector) -> None:
        self._selector = selector
        selector.register(self._server, selectors.EVENT_READ)

    def receive(self) -> bytes:
        data = self._read()
        with contextlib.suppress(BlockingIOError):
            newcomer, _ = self._server.accept()
            data += self._read()  # to learn whether the client before has gone
            if self._client is not None:
                newcomer.close()
            else:
                newcomer.setblocking(False)
                newcomer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._client = newcomer
                self._selector.register(newcomer, selectors.EVENT_READ)
        return data

    def _read(self) -> bytes:
        if self._client is None:
            return b""
        try:
            data = self._client.recv(_READ_MOST)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def send(self, data: bytes) -> bytes:
        """Sends what can be sent now; returns the rest."""
        if self._client is None or not data:
            return b""  # nobody listens
        try:
            return data[self._client.send(data) :]
        except BlockingIOError:
            return data
        except OSError:
            self._hang_up()
            return b""

    def _hang_up(self) -> None:
        if self._client is not None:
            self._selector.unregister(self._client)
            self._client.close()
            self._client = None

    def close(self) -> None:
        self._hang_up()
        self._server.close()
