"""A byte port that is a TCP port: one program at a time, on this computer unless asked otherwise.

Nothing is sent to the program that is let in. Whoever is not gets one line that says why.
"""

from __future__ import annotations

import contextlib
import hmac
import ipaddress
import select
import socket
import time
from dataclasses import dataclass, field
from threading import Thread

from tallymark.bridge.byte_port import READ_MOST, MessageSink, Waker, readable, wait_for
from tallymark.errors import BadValue
from tallymark.formatting import duration

TOKEN_SECONDS = 5.0
"""How long a program may take to send the token."""
_WAIT_SECONDS = 1.0
"""How long a program may wait for the one before it to be gone. It is turned away then."""
_LEAVE_SECONDS = 2.0
"""How long a program that is turned away may take to read why."""
_WAIT_NOTED_S = 0.01
_NEWCOMERS_MOST = 16
_now = time.perf_counter
_SAID_MOST = 5


@dataclass
class _Newcomer:
    """Somebody who has to send the token, who is `waiting` to be let in, or who is `leaving`.
    Times are those of `time.perf_counter`; it may have sent bytes since `since_s`, and at `end_s`
    it takes too long."""

    connection: socket.socket
    name: str
    since_s: float
    end_s: float = 0.0
    waiting: bool = False
    leaving: bool = False
    heard: bytearray = field(default_factory=bytearray)


class TcpPort:
    """See `tallymark.bridge.byte_port.BytePort`.

    port: 0 lets the system choose one. token: a program's first line has to be it. Any other
    address than this computer's own needs one. Raises BadValue.
    """

    def __init__(
        self, say: MessageSink, port: int, address: str = "127.0.0.1", token: str | None = None
    ) -> None:
        self._say = say
        if token is not None and (not token or not token.isprintable()):
            raise BadValue("The token has to be one line of text.")
        if not token and not _is_loopback(address):
            raise BadValue(
                f"{address} can be reached from other computers, and any program that connects "
                "could add markers to the recording. Give a token (--token, or TALLYMARK_TOKEN) "
                "that the program sends as its first line."
            )
        try:
            family = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0][0]
            self._server = socket.create_server((address, port), family=family)
        except (OSError, UnicodeError) as error:  # UnicodeError: a name that can't be one
            why = error.strerror if isinstance(error, OSError) else "unknown host name"
            raise BadValue(
                f"TCP port {port} of {address} can't be used ({why}). Choose another one, or 0 for "
                "any."
            ) from error
        self._server.setblocking(False)
        self._token = None if token is None else token.encode()
        host, number = self._server.getsockname()[:2]
        self.where = f"{f'[{host}]' if ':' in host else host}:{number}"
        self.looked_s = self._client_since = _now()
        self._newcomers: list[_Newcomer] = []
        self._client: socket.socket | None = None
        self._client_name = ""
        self._comings = 0
        self._closing = False
        self._reader = Waker()
        self._door = Waker()
        self._thread = Thread(target=self._watch_door, name="byte port's door", daemon=True)
        self._thread.start()

    # The reader -------------------------------------------------------------------------------

    def receive(self) -> bytes | None:
        """See `BytePort`."""
        client = self._client
        if client is None:
            select.select([self._reader], [], [])
            self._reader.clear()
            self.looked_s = self._client_since
            return b""
        ready = wait_for(client.fileno(), self._reader)
        self.looked_s = _now()
        if not ready:
            self._reader.clear()
            return b""
        why = "has closed the connection"
        try:
            if data := client.recv(READ_MOST):
                return data
        except BlockingIOError:
            return b""
        except OSError as error:
            why = f"lost its connection ({error.strerror})"
        client.close()
        self._client = None
        self._door.wake()
        self._tell(f"The program at {self._client_name} {why}.")
        return None

    def is_empty(self) -> bool:
        """See `BytePort`."""
        client = self._client
        return client is None or not readable(client.fileno())

    def wake(self) -> None:
        """See `BytePort`."""
        self._reader.wake()

    def close(self) -> None:
        """See `BytePort`."""
        self._closing = True
        self._door.wake()
        self._thread.join()
        for each in (*(newcomer.connection for newcomer in self._newcomers), self._client):
            if each is not None:
                each.close()
        self._server.close()
        self._door.close()
        self._reader.close()

    # The door ---------------------------------------------------------------------------------

    def _watch_door(self) -> None:
        crowded_s: float | None = None  # since when somebody may wait outside, seen by nobody
        while not self._closing:
            talking = {each.connection: each for each in self._newcomers if not each.waiting}
            next_end = min((each.end_s for each in self._newcomers), default=None)
            left = None if next_end is None else max(0.0, next_end - _now())
            doors: list[Waker | socket.socket] = [self._door]
            if len(self._newcomers) < _NEWCOMERS_MOST:
                doors.append(self._server)
            elif crowded_s is None:
                crowded_s = _now()
            ready = select.select([*doors, *talking], [], [], left)[0]
            self._door.clear()
            if self._server in ready:
                with contextlib.suppress(OSError):  # may have gone again
                    self._greet(*self._server.accept(), crowded_s)
            elif self._server in doors:
                crowded_s = None
            for connection, newcomer in talking.items():
                if connection in ready:
                    self._listen(newcomer)
            for newcomer in list(self._newcomers):
                if newcomer.waiting:
                    self._let_in(newcomer)
                elif _now() > newcomer.end_s:
                    self._time_over(newcomer)

    def _greet(
        self, connection: socket.socket, address: tuple[object, ...], since_s: float | None
    ) -> None:
        connection.setblocking(False)
        now = _now()
        newcomer = _Newcomer(connection, f"{address[0]}:{address[1]}", since_s or now)
        self._newcomers.append(newcomer)
        if self._token is None:
            self._pass(newcomer)
        else:
            newcomer.end_s = now + TOKEN_SECONDS

    def _listen(self, newcomer: _Newcomer) -> None:
        """Takes what a newcomer sends: the token, and not one byte more, which is the first marker;
        or, from somebody who leaves, anything, so that the reason is not lost with the connection.
        """
        try:
            while data := newcomer.connection.recv(READ_MOST if newcomer.leaving else 1):
                if newcomer.leaving:
                    continue
                if data != b"\n":
                    newcomer.heard += data
                    if len(newcomer.heard) <= len(self._token or b"") + 1:  # a carriage return
                        continue
                self._check(newcomer)
                return
        except BlockingIOError:
            return
        except OSError:
            pass
        if not newcomer.leaving:
            self._say(f"{newcomer.name} connected and disconnected without the token.", bad=True)
        self._drop(newcomer)

    def _check(self, newcomer: _Newcomer) -> None:
        heard = bytes(newcomer.heard).removesuffix(b"\r")
        if hmac.compare_digest(heard, self._token or b""):
            self._pass(newcomer)
        else:
            self._turn_away(newcomer, "the first line was not the token")

    def _pass(self, newcomer: _Newcomer) -> None:
        """May come in, as soon as the one before has gone, whose last bytes may still be read."""
        newcomer.waiting = True
        newcomer.end_s = _now() + _WAIT_SECONDS

    def _time_over(self, newcomer: _Newcomer) -> None:
        if newcomer.leaving:
            self._drop(newcomer)
        else:
            self._turn_away(newcomer, f"the token was not received within {TOKEN_SECONDS:g} s")

    def _let_in(self, newcomer: _Newcomer) -> None:
        if self._client is not None:
            if _now() > newcomer.end_s:
                name = self._client_name
                self._turn_away(newcomer, f"another program is connected, from {name}")
            return
        self._newcomers.remove(newcomer)
        _keep_alive(newcomer.connection)
        self._comings += 1
        self._tell(f"A program has connected from {newcomer.name}.")
        waited_s = _now() - (newcomer.end_s - _WAIT_SECONDS)
        if waited_s > _WAIT_NOTED_S:
            self._say(
                f"The program at {newcomer.name} had to wait {duration(waited_s * 1e6)} until the "
                "previous one had disconnected. Bytes that it sent in that time are late by as "
                "much.",
                bad=True,
            )
        if self._comings == _SAID_MOST:
            self._say("From now on, connections are not reported individually.")
        self._client_name = newcomer.name
        self._client_since = newcomer.since_s
        self._client = newcomer.connection
        self._reader.wake()

    def _turn_away(self, newcomer: _Newcomer, why: str) -> None:
        self._say(f"{newcomer.name} was rejected: {why}.", bad=True)
        line = f"Connection rejected: {why}. No marker was sent.\n"
        with contextlib.suppress(OSError):
            newcomer.connection.send(line.encode())
            newcomer.connection.shutdown(socket.SHUT_WR)
        newcomer.waiting, newcomer.leaving = False, True
        newcomer.end_s = _now() + _LEAVE_SECONDS

    def _drop(self, newcomer: _Newcomer) -> None:
        self._newcomers.remove(newcomer)
        newcomer.connection.close()

    def _tell(self, text: str) -> None:
        if self._comings <= _SAID_MOST:
            self._say(text)


def _is_loopback(address: str) -> bool:
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(address).is_loopback
    return address == "localhost"


def _keep_alive(connection: socket.socket) -> None:
    """So that a computer that vanishes is noticed, within a minute where the system allows."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (("TCP_KEEPIDLE", 20), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 4)):
        if hasattr(socket, name):
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)
