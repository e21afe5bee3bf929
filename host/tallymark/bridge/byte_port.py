"""What the bridge asks of a byte port, and the pipe by which other threads wake its reader."""

from __future__ import annotations

import select
import socket
from contextlib import suppress
from typing import Protocol

from tallymark.box.ports.timebase import host_time_s

READ_MOST = 4096
"""A pseudo-terminal holds no more, and a larger piece takes longer to get from the system."""
_now = host_time_s


class MessageSink(Protocol):
    """Tells the person at the screen a sentence. From any thread; returns at once.

    bad: something went wrong, so it goes into the log as well, unless the log has it `logged`."""

    def __call__(self, text: str, *, bad: bool = False, logged: bool = False) -> None: ...


class BytePort(Protocol):
    """Where a program writes bytes, from the moment at which it is made. One thread reads; `wake`
    and `close` may come from others.

    `where` is what a program opens. `looked_s` is the host time (`timebase.host_time_s`) just
    before `receive` took the bytes that it returned last, or found none, or of the opening:
    whatever it returns next, came after it.
    """

    where: str
    looked_s: float

    @property
    def waker(self) -> Waker:
        """What `wake` wakes."""

    @property
    def source(self) -> int | None:
        """The descriptor of which the bytes come that `receive` returns next, and nothing else, for
        whoever waits and reads by itself, and sets `looked_s`. None: `receive` has to."""

    def receive(self) -> bytes | None:
        """Waits for bytes and returns all that have come; b"" if it was woken; None if a program
        has closed the port, after all of its bytes."""

    def is_empty(self) -> bool:
        """Whether `receive` would have to wait."""

    def wake(self) -> None:
        """Lets `receive` return."""

    def close(self) -> None:
        """Ends the port; programs that have it open are cut off. May be called twice."""


class Waker:
    """A pair of sockets: `wake` makes `waker` readable for `select`, on every system."""

    def __init__(self) -> None:
        self._end, self._other = socket.socketpair()
        self.descriptor = self._end.fileno()
        for end in (self._end, self._other):
            end.setblocking(False)

    def fileno(self) -> int:
        """For `select`."""
        return self.descriptor

    def wake(self) -> None:
        """From any thread."""
        with suppress(OSError):  # full: it is awake; closed: nobody sleeps
            self._other.send(b".")

    def clear(self) -> None:
        """Sleep is possible again."""
        with suppress(OSError):
            self._end.recv(4096)

    def close(self) -> None:
        """Ends it. May be called twice."""
        self._end.close()
        self._other.close()


def wait_for(descriptor: int, waker: Waker) -> bool:
    """Waits until something can be read, or until woken. Returns whether something can be read."""
    return descriptor in select.select((descriptor, waker.descriptor), (), ())[0]


def readable(descriptor: int) -> bool:
    """Whether something can be read now."""
    return bool(select.select((descriptor,), (), (), 0)[0])
