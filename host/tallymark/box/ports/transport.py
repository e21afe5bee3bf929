"""Bytes to and from a port, as fast as the port allows.

`Transport` works with anything that behaves like a pyserial port. `DescriptorTransport` goes
straight to the file descriptor of a POSIX serial port or of a socket: that saves the second
system call that pyserial makes for each write, and reads whatever has come at once.
`SocketTransport` reads so where a socket has no descriptor, on Windows: pyserial tells of a socket
only whether a byte has come, not how many, and would be asked for each byte.
"""

from __future__ import annotations

import os
import select
import socket
import time
from typing import Any

from serial import SerialException

from tallymark.common.errors import PortGone

READ_SECONDS = 0.1
"""How long a read waits for the first byte."""
_STALL_SECONDS = 1.0


class Transport:
    """Any pyserial-like port: `read`, `write`, `in_waiting`, `timeout`, `close`."""

    def __init__(self, port: Any, name: str) -> None:
        self.port = port
        self.name = name
        port.timeout = READ_SECONDS
        port.write_timeout = _STALL_SECONDS

    def begin(self) -> None:
        """Called by the thread that is going to read, before anything else."""
        self.port.read(0)  # so a port in stepped time knows who takes its bytes

    def read(self) -> bytes:
        """What has come; waits up to READ_SECONDS for the first byte. PortGone if it fails."""
        data = b""
        try:
            data = self.port.read(1)
            if data and (more := self.port.in_waiting):
                data += self.port.read(more)
        except (SerialException, OSError, TypeError, ValueError, AttributeError) as error:
            # A port that is closed or pulled out while it is read fails in any of these ways.
            if not data:  # otherwise the next read fails again, when these bytes are used
                raise self.gone(error) from error
        return data

    def write(self, data: bytes) -> None:
        """Hands all bytes to the port. PortGone if it fails or takes no byte for a second."""
        try:
            written = self.port.write(data)
        except (SerialException, OSError) as error:
            raise self.gone(error) from error
        if written is not None and written != len(data):
            raise self.gone(OSError("the port accepted only a part of a request"))

    def wake(self) -> None:
        """Lets a `read` return early, where the port can do that."""
        cancel = getattr(self.port, "cancel_read", None)
        if cancel is not None:
            cancel()

    def close(self) -> None:
        """Closes the port."""
        self.port.close()

    def _heard(self, data: bytes) -> bytes:
        """What a descriptor or a socket that was ready gave."""
        if not data:
            raise self.gone("the other end closed the connection")
        return data

    def gone(self, error: object) -> PortGone:
        """The error for a port that failed in use."""
        return PortGone(
            self.name,
            f"The connection to the box at {self.name} was lost ({error}). No more markers are "
            "sent. Check the plug and the cable, then open the box again.",
        )


class SocketTransport(Transport):
    """A TCP connection of pyserial's, read through its socket."""

    def __init__(self, port: Any, name: str) -> None:
        super().__init__(port, name)
        self._socket: socket.socket = port._socket

    def begin(self) -> None:
        """See `Transport.begin`."""

    def read(self) -> bytes:
        """See `Transport.read`."""
        try:
            ready, _, _ = select.select([self._socket], [], [], READ_SECONDS)
            if not ready:
                return b""
            data = self._socket.recv(4096)
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as error:
            raise self.gone(error) from error
        return self._heard(data)


class DescriptorTransport(Transport):
    """A POSIX serial port or a socket, through its file descriptor, which never blocks."""

    def __init__(self, port: Any, name: str) -> None:
        super().__init__(port, name)
        self._fd: int = port.fileno()
        os.set_blocking(self._fd, False)
        self._woken, self._waker = os.pipe()

    @property
    def descriptor(self) -> int:
        """For a partner that writes whole requests between those of `write`."""
        return self._fd

    def begin(self) -> None:
        """See `Transport.begin`."""

    def read(self) -> bytes:
        """See `Transport.read`."""
        try:
            ready, _, _ = select.select([self._fd, self._woken], [], [], READ_SECONDS)
            if self._fd not in ready:
                return b""
            data = os.read(self._fd, 4096)
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as error:
            raise self.gone(error) from error
        return self._heard(data)

    def write(self, data: bytes) -> None:
        """See `Transport.write`."""
        try:
            written = os.write(self._fd, data)
        except BlockingIOError:
            written = 0
        except OSError as error:
            raise self.gone(error) from error
        if written != len(data):
            self._write_later(data[written:])

    def wake(self) -> None:
        """See `Transport.wake`."""
        os.write(self._waker, b".")

    def close(self) -> None:
        """See `Transport.close`."""
        super().close()
        for end in (self._woken, self._waker):
            os.close(end)

    def _write_later(self, data: bytes) -> None:
        """The way for a port whose buffer is full, which the receive window should prevent."""
        end = time.monotonic() + _STALL_SECONDS
        while data:
            left = end - time.monotonic()
            if left <= 0:
                raise self.gone(f"it accepted no bytes for {_STALL_SECONDS:g} s")
            try:
                select.select([], [self._fd], [], left)
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                continue
            except (OSError, ValueError) as error:
                raise self.gone(error) from error


def transport_for(port: Any, posix: bool = os.name == "posix") -> Transport:
    """The fastest transport that fits an open port. posix: whether ports have descriptors."""
    name = str(getattr(port, "port", None) or "port")
    kind = f"{type(port).__module__}.{type(port).__name__}"
    tcp = kind == "serial.urlhandler.protocol_socket.Serial"
    if posix and (tcp or kind == "serial.serialposix.Serial"):
        return DescriptorTransport(port, name)
    return SocketTransport(port, name) if tcp else Transport(port, name)
