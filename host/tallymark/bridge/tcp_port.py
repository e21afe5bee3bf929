"""A byte port that is a TCP port: one program at a time, on this computer unless asked otherwise.

Nothing is sent to the program that is let in. Whoever is not gets one line that says why.
"""

from __future__ import annotations

import contextlib
import hmac
import ipaddress
import select
import socket
from dataclasses import dataclass, field
from threading import Thread

from tallymark.box.ports.timebase import host_time_s
from tallymark.bridge.byte_port import READ_MOST, MessageSink, Waker, readable, wait_for
from tallymark.errors import BadValue
from tallymark.formatting import duration

TOKEN_SECONDS = 5.0
"""How long a program may take to send the token."""
_WAIT_SECONDS = 1.0
"""How long a program may wait for the one before it to be gone. It is turned away then."""
_LEAVE_SECONDS = 2.0
"""Time for a rejected program to read the reason."""
_WAIT_NOTED_S = 0.01
_CANDIDATES_MOST = 16
_now = host_time_s
_REPORTS_MOST = 5


@dataclass
class _Candidate:
    """A connection that has to send the token, is `waiting` to be admitted, or is `leaving`.

    Times are those of `timebase.host_time_s`: it may have sent bytes since `since_s`, and expires
    at `end_s`.
    """

    connection: socket.socket
    name: str
    since_s: float
    end_s: float = 0.0
    waiting: bool = False
    leaving: bool = False
    first_line: bytearray = field(default_factory=bytearray)


class TcpPort:
    """See `tallymark.bridge.byte_port.BytePort`.

    port: 0 lets the system choose one. token: a program must send it as its first line. Any other
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
        self._candidates: list[_Candidate] = []
        self._client: socket.socket | None = None
        self._client_name = ""
        self._connections = 0
        self._closing = False
        self._reader = Waker()
        self._waker = Waker()
        self._thread = Thread(target=self._accept_loop, name="byte port connections", daemon=True)
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
        self._waker.wake()
        self._report(f"The program at {self._client_name} {why}.")
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
        self._waker.wake()
        self._thread.join()
        for each in (*(candidate.connection for candidate in self._candidates), self._client):
            if each is not None:
                each.close()
        self._server.close()
        self._waker.close()
        self._reader.close()

    # Connections ------------------------------------------------------------------------------

    def _accept_loop(self) -> None:
        crowded_s: float | None = None  # since when connections may wait in the backlog
        while not self._closing:
            pending = {each.connection: each for each in self._candidates if not each.waiting}
            next_end = min((each.end_s for each in self._candidates), default=None)
            left = None if next_end is None else max(0.0, next_end - _now())
            listeners: list[Waker | socket.socket] = [self._waker]
            if len(self._candidates) < _CANDIDATES_MOST:
                listeners.append(self._server)
            elif crowded_s is None:
                crowded_s = _now()
            ready = select.select([*listeners, *pending], [], [], left)[0]
            self._waker.clear()
            if self._server in ready:
                with contextlib.suppress(OSError):  # may have gone again
                    self._greet(*self._server.accept(), crowded_s)
            elif self._server in listeners:
                crowded_s = None
            for connection, candidate in pending.items():
                if connection in ready:
                    self._read_token(candidate)
            for candidate in list(self._candidates):
                if candidate.waiting:
                    self._admit(candidate)
                elif _now() > candidate.end_s:
                    self._expire(candidate)

    def _greet(
        self, connection: socket.socket, address: tuple[object, ...], since_s: float | None
    ) -> None:
        connection.setblocking(False)
        now = _now()
        candidate = _Candidate(connection, f"{address[0]}:{address[1]}", since_s or now)
        self._candidates.append(candidate)
        if self._token is None:
            self._queue(candidate)
        else:
            candidate.end_s = now + TOKEN_SECONDS

    def _read_token(self, candidate: _Candidate) -> None:
        """Reads the token byte by byte, because the byte after it is the first marker.

        From a rejected program it reads and drops everything: closing a connection with unread
        bytes resets it, and the reason of the rejection would be lost.
        """
        try:
            while data := candidate.connection.recv(READ_MOST if candidate.leaving else 1):
                if candidate.leaving:
                    continue
                if data != b"\n":
                    candidate.first_line += data
                    most = len(self._token or b"") + 1  # the token and a carriage return
                    if len(candidate.first_line) <= most:
                        continue
                self._check(candidate)
                return
        except BlockingIOError:
            return
        except OSError:
            pass
        if not candidate.leaving:
            self._say(f"{candidate.name} connected and disconnected without the token.", bad=True)
        self._drop(candidate)

    def _check(self, candidate: _Candidate) -> None:
        line = bytes(candidate.first_line).removesuffix(b"\r")
        if hmac.compare_digest(line, self._token or b""):
            self._queue(candidate)
        else:
            self._reject(candidate, "the first line was not the token")

    def _queue(self, candidate: _Candidate) -> None:
        """Admits it as soon as the previous one is gone, whose last bytes may still be read."""
        candidate.waiting = True
        candidate.end_s = _now() + _WAIT_SECONDS

    def _expire(self, candidate: _Candidate) -> None:
        if candidate.leaving:
            self._drop(candidate)
        else:
            self._reject(candidate, f"the token was not received within {TOKEN_SECONDS:g} s")

    def _admit(self, candidate: _Candidate) -> None:
        if self._client is not None:
            if _now() > candidate.end_s:
                name = self._client_name
                self._reject(candidate, f"another program is connected, from {name}")
            return
        self._candidates.remove(candidate)
        _keep_alive(candidate.connection)
        self._connections += 1
        self._report(f"A program has connected from {candidate.name}.")
        waited_s = _now() - (candidate.end_s - _WAIT_SECONDS)
        if waited_s > _WAIT_NOTED_S:
            self._say(
                f"The program at {candidate.name} had to wait {duration(waited_s * 1e6)} until the "
                "previous one had disconnected. Bytes that it sent in that time are late by as "
                "much.",
                bad=True,
            )
        if self._connections == _REPORTS_MOST:
            self._say("From now on, connections are not reported individually.")
        self._client_name = candidate.name
        self._client_since = candidate.since_s
        self._client = candidate.connection
        self._reader.wake()

    def _reject(self, candidate: _Candidate, why: str) -> None:
        self._say(f"{candidate.name} was rejected: {why}.", bad=True)
        line = f"Connection rejected: {why}. No marker was sent.\n"
        with contextlib.suppress(OSError):
            candidate.connection.send(line.encode())
            candidate.connection.shutdown(socket.SHUT_WR)
        candidate.waiting, candidate.leaving = False, True
        candidate.end_s = _now() + _LEAVE_SECONDS

    def _drop(self, candidate: _Candidate) -> None:
        self._candidates.remove(candidate)
        candidate.connection.close()

    def _report(self, text: str) -> None:
        if self._connections <= _REPORTS_MOST:
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
