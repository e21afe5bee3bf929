"""A byte port that is a TCP port: one program at a time, on this computer unless asked otherwise.

Nothing is sent to the program that is let in. Whoever is not gets one line that says why.
A connection that sends nothing keeps nobody out: the first one that sends a byte is the program.
"""

from __future__ import annotations

import contextlib
import hmac
import ipaddress
import select
import socket
from dataclasses import dataclass, field
from enum import Enum
from threading import Lock, Thread

from tallymark.box.ports.timebase import host_time_s
from tallymark.bridge.byte_port import READ_MOST, MessageSink, Waker, readable, wait_for
from tallymark.bridge.connection_refusal_limits import PERIOD_S, ReportLimit, TokenAttempts
from tallymark.bridge.foreign_protocols import foreign_protocol
from tallymark.common.errors import BadValue
from tallymark.common.formatting import duration

TOKEN_SECONDS = 5.0
"""How long a program may take to send the token."""
_WAIT_SECONDS = 1.0
"""How long a program may wait while one other is connected. It is rejected then."""
_LEAVE_SECONDS = 2.0
"""Time for a rejected program to read the reason."""
_WAIT_NOTED_S = 0.01
_UNPROVEN_MOST = 16
"""Connections that have to send the token, or were rejected."""
_VISITORS_MOST = 64
"""All connections but the program's. `select` takes a few hundred on every system."""
_now = host_time_s
_REPORTS_MOST = 5
_REJECTED = "connections that were rejected"


class _Stage(Enum):
    TOKEN = "has to send the token"
    SILENT = "may be the program, once it sends a byte"
    LEAVING = "was rejected, and reads why"
    PROGRAM = "is the program"


@dataclass(eq=False)
class _Visitor:
    """A connection that is not the program's (yet).

    Times are those of `timebase.host_time_s`: it may have sent bytes since `since_s`; it expires at
    `end_s`; it was noticed at `spoke_s` to have sent a byte while another program was connected.
    watched: it was seen to have sent nothing, so that its next byte wakes the reader.
    """

    connection: socket.socket
    address: str
    name: str
    since_s: float
    stage: _Stage
    end_s: float = 0.0
    spoke_s: float | None = None
    watched: bool = False
    first_line: bytearray = field(default_factory=bytearray)


class TcpPort:
    """See `tallymark.bridge.byte_port.BytePort`.

    port: 0 lets the system choose one. token: a program must send it as its first line; it travels
    unencrypted. Any other address than this computer's own needs one. Raises BadValue.
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
        self.looked_s = _now()
        self._visitors: list[_Visitor] = []
        self._lock = Lock()  # of the list, and of the stages of the visitors
        self._client: socket.socket | None = None
        self._client_name = ""
        self._client_since_s = 0.0
        self._attempts = TokenAttempts()
        self._limit = ReportLimit(lambda text: say(text, bad=True))
        self._connections = 0
        self._closing = False
        self._reader = Waker()
        self._waker = Waker()
        self._thread = Thread(target=self._door, name="byte port connections", daemon=True)
        self._thread.start()

    # The reader -------------------------------------------------------------------------------

    def receive(self) -> bytes | None:
        """See `BytePort`."""
        client = self._client
        if client is None:
            return self._first_bytes()
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

    def _first_bytes(self) -> bytes:
        """Waits for the first visitor that sends something; it is the program from then on."""
        silent = self._silent()
        ready = _select([self._reader, *(each.connection for each in silent)])
        self.looked_s = _now()
        self._reader.clear()
        if not ready:
            return b""
        for visitor in silent:
            if visitor.connection not in ready:
                visitor.watched = True
            elif not visitor.watched:
                # It may have sent its bytes earlier: the caller learns since when, then gets them.
                visitor.watched = True
                self.looked_s = visitor.since_s
                return b""
            else:
                return self._admit(visitor)
        return b""

    def _admit(self, visitor: _Visitor) -> bytes:
        """Its first bytes, if they may be markers."""
        with self._lock:
            if visitor.stage is not _Stage.SILENT:  # the door has just rejected it
                return b""
            visitor.stage = _Stage.PROGRAM
        data = b""
        try:
            data = visitor.connection.recv(READ_MOST)
        except BlockingIOError:
            visitor.stage = _Stage.SILENT
            return b""
        except OSError:
            pass
        if not data:
            visitor.stage = _Stage.LEAVING
            self._drop(visitor)
            self._report(f"The program at {visitor.name} has closed the connection.")
            return b""
        if self._token is None and (foreign := foreign_protocol(data)):
            self._reject(visitor, f"what came first was {foreign}", foreign=True)
            return b""
        with self._lock:
            self._visitors.remove(visitor)
        self._client_name = visitor.name
        self._client_since_s = self.looked_s
        self._client = visitor.connection
        waited_s = 0.0 if visitor.spoke_s is None else _now() - visitor.spoke_s
        if waited_s > _WAIT_NOTED_S:
            self._say(
                f"The program at {visitor.name} had to wait {duration(waited_s * 1e6)} until the "
                "previous one had disconnected. Bytes that it sent in that time are late by as "
                "much.",
                bad=True,
            )
        self._waker.wake()  # others that send something are to be rejected from now on
        return data

    @property
    def waker(self) -> Waker:
        """See `BytePort`."""
        return self._reader

    @property
    def source(self) -> int | None:
        """See `BytePort`."""
        client = self._client
        return None if client is None else client.fileno()

    def is_empty(self) -> bool:
        """See `BytePort`."""
        client = self._client
        if client is not None:
            return not readable(client.fileno())
        silent = self._silent()
        if not silent:
            return True
        ready = _select([each.connection for each in silent], 0)
        for each in silent:
            if each.connection not in ready:
                each.watched = True
        return not ready

    def wake(self) -> None:
        """See `BytePort`."""
        self._reader.wake()

    def close(self) -> None:
        """See `BytePort`."""
        self._closing = True
        self._waker.wake()
        self._thread.join()
        for each in (*(visitor.connection for visitor in self._visitors), self._client):
            if each is not None:
                each.close()
        self._visitors.clear()
        self._server.close()
        self._waker.close()
        self._reader.close()

    def _silent(self) -> list[_Visitor]:
        with self._lock:
            return [each for each in self._visitors if each.stage is _Stage.SILENT]

    # The door: a thread of its own ------------------------------------------------------------

    def _door(self) -> None:
        crowded_s: float | None = None  # since when connections may wait in the backlog
        while not self._closing:
            with self._lock:
                visitors = list(self._visitors)
            # A visitor that sends its first byte wakes the reader, unless a program is connected.
            watched = {
                each.connection: each
                for each in visitors
                if each.stage in (_Stage.TOKEN, _Stage.LEAVING)
                or (
                    each.stage is _Stage.SILENT
                    and self._client is not None
                    and each.spoke_s is None
                )
            }
            listeners: list[Waker | socket.socket] = [self._waker]
            if self._has_room(visitors):
                listeners.append(self._server)
            elif crowded_s is None:
                crowded_s = _now()
            ready = _select([*listeners, *watched], self._time_left(visitors))
            self._waker.clear()
            if self._server in ready:
                with contextlib.suppress(OSError):  # may have gone again
                    self._greet(*self._server.accept(), crowded_s)
            elif self._server in listeners:
                crowded_s = None
            for connection, visitor in watched.items():
                if connection in ready:
                    self._look_at(visitor)
            for visitor in visitors:
                if visitor.end_s and _now() > visitor.end_s:
                    self._expire(visitor)
            self._limit.settle(_now())
        self._limit.settle()

    def _has_room(self, visitors: list[_Visitor]) -> bool:
        unproven = sum(each.stage in (_Stage.TOKEN, _Stage.LEAVING) for each in visitors)
        return unproven < _UNPROVEN_MOST and len(visitors) < _VISITORS_MOST

    def _time_left(self, visitors: list[_Visitor]) -> float | None:
        ends = [each.end_s for each in visitors if each.end_s]
        if due_s := self._limit.due_s():
            ends.append(due_s)
        return max(0.0, min(ends) - _now()) if ends else None

    def _greet(
        self, connection: socket.socket, address: tuple[object, ...], since_s: float | None
    ) -> None:
        connection.setblocking(False)
        _keep_alive(connection)
        now = _now()
        host = str(address[0])
        visitor = _Visitor(connection, host, f"{host}:{address[1]}", since_s or now, _Stage.TOKEN)
        with self._lock:
            self._visitors.append(visitor)
        if self._token is None:
            self._let_wait(visitor)
        elif locked_s := self._attempts.locked_s(host, now):
            why = f"too many wrong tokens came from {host}; it has to wait {locked_s:.0f} s"
            self._reject(visitor, why)
        else:
            visitor.end_s = now + TOKEN_SECONDS

    def _let_wait(self, visitor: _Visitor) -> None:
        """From now on the reader waits for its first byte, too."""
        visitor.end_s = 0.0
        visitor.stage = _Stage.SILENT
        self._connections += 1
        self._report(f"A program has connected from {visitor.name}.")
        if self._connections == _REPORTS_MOST:
            self._say("From now on, connections are not reported individually.")
        self._reader.wake()

    def _look_at(self, visitor: _Visitor) -> None:
        if visitor.stage is _Stage.SILENT:
            self._look_at_second(visitor)
        else:
            self._read_token(visitor)

    def _look_at_second(self, visitor: _Visitor) -> None:
        """A visitor sent something or left while another program is connected."""
        try:
            gone = not visitor.connection.recv(1, socket.MSG_PEEK)
        except BlockingIOError:
            return
        except OSError:
            gone = True
        if gone:
            self._drop(visitor)
            return
        visitor.watched = False
        visitor.spoke_s = _now()
        visitor.since_s = visitor.spoke_s - _WAIT_NOTED_S  # this thread may have woken late
        visitor.end_s = visitor.spoke_s + _WAIT_SECONDS

    def _read_token(self, visitor: _Visitor) -> None:
        """Reads the token byte by byte, because the byte after it is the first marker.

        From a rejected program it reads and drops everything: closing a connection with unread
        bytes resets it, and the reason of the rejection would be lost.
        """
        leaving = visitor.stage is _Stage.LEAVING
        try:
            while data := visitor.connection.recv(READ_MOST if leaving else 1):
                if leaving:
                    continue
                if data != b"\n":
                    visitor.first_line += data
                    most = len(self._token or b"") + 1  # the token and a carriage return
                    if len(visitor.first_line) <= most:
                        continue
                self._check(visitor)
                return
        except BlockingIOError:
            return
        except OSError:
            pass
        if not leaving:
            self._limit.say(
                "connections that ended without the token",
                f"{visitor.name} connected and disconnected without the token.",
                _now(),
            )
        self._drop(visitor)

    def _check(self, visitor: _Visitor) -> None:
        line = bytes(visitor.first_line).removesuffix(b"\r")
        if hmac.compare_digest(line, self._token or b""):
            self._let_wait(visitor)
            return
        self._attempts.wrong(visitor.address, _now())
        self._reject(visitor, "the first line was not the token")
        if self._attempts.locked_s(visitor.address, _now()):
            self._limit.say(
                "addresses that have to wait",
                f"Too many wrong tokens came from {visitor.address}: connections from there are "
                f"rejected for up to {PERIOD_S:.0f} s.",
                _now(),
            )

    def _expire(self, visitor: _Visitor) -> None:
        if visitor.stage is _Stage.LEAVING:
            self._drop(visitor)
        elif visitor.stage is _Stage.TOKEN:
            self._reject(visitor, f"the token was not received within {TOKEN_SECONDS:g} s")
        elif self._client is None:
            visitor.end_s = 0.0  # the reader admits it
        elif self._client_since_s + _WAIT_SECONDS > visitor.end_s:
            visitor.end_s = self._client_since_s + _WAIT_SECONDS  # they come and go, by turns
        else:
            self._reject(visitor, f"another program is connected, from {self._client_name}")

    # From both threads ------------------------------------------------------------------------

    def _reject(self, visitor: _Visitor, why: str, *, foreign: bool = False) -> None:
        """foreign: the reader says so of the visitor whose first bytes it has read."""
        with self._lock:
            if visitor not in self._visitors or (visitor.stage is _Stage.PROGRAM and not foreign):
                return  # the reader has just admitted it
            visitor.stage = _Stage.LEAVING
            visitor.end_s = _now() + _LEAVE_SECONDS
        self._limit.say(_REJECTED, f"{visitor.name} was rejected: {why}.", _now())
        line = f"Connection rejected: {why}. No marker was sent.\n"
        with contextlib.suppress(OSError):
            visitor.connection.send(line.encode())
            visitor.connection.shutdown(socket.SHUT_WR)
        self._waker.wake()

    def _drop(self, visitor: _Visitor) -> None:
        """Not the program: to the door it looks gone once the reader has taken its only bytes."""
        with self._lock:
            if visitor in self._visitors and visitor.stage is not _Stage.PROGRAM:
                self._visitors.remove(visitor)
                visitor.connection.close()
        self._waker.wake()

    def _report(self, text: str) -> None:
        if self._connections <= _REPORTS_MOST:
            self._say(text)


def _select(
    listeners: list[Waker | socket.socket], left_s: float | None = None
) -> list[Waker | socket.socket]:
    """Those that can be read. None of them, if one was closed by the other thread just now."""
    with contextlib.suppress(OSError, ValueError):
        return select.select(listeners, [], [], left_s)[0]
    return []


def _is_loopback(address: str) -> bool:
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(address).is_loopback
    return address == "localhost"


def _keep_alive(connection: socket.socket) -> None:
    """So that a computer that vanishes is noticed, within a minute where the system allows.

    A connection that was reset meanwhile takes no options; its next read says so."""
    options = [(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)]
    for name, value in (("TCP_KEEPIDLE", 20), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 4)):
        if hasattr(socket, name):
            options.append((socket.IPPROTO_TCP, getattr(socket, name), value))
    with contextlib.suppress(OSError):
        for level, option, value in options:
            connection.setsockopt(level, option, value)
