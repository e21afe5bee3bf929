"""A byte port that exists already: one end of a pair of ports that the system or a driver offers,
or a serial cable from the stimulus computer."""

from __future__ import annotations

import os
from contextlib import suppress
from select import select
from typing import Any

import serial

from tallymark.box.ports import discovery
from tallymark.box.ports.timebase import host_time_s
from tallymark.bridge.byte_port import READ_MOST, MessageSink, Waker, readable, wait_for
from tallymark.common.errors import BadValue, PortError, PortNotFound

_RETRY_S = 0.5
_LOOK_S = 0.5  # where `wake` may come just before the read that it was to end


class SerialPort:
    """See `tallymark.bridge.byte_port.BytePort`. A port that is pulled out is opened again when it
    is back.

    name: of the port. baud: its rate in baud. Raises PortError; BadValue for a rate that the port
    can't do, or for the port of a box.
    """

    def __init__(self, name: str, baud: int, say: MessageSink) -> None:
        if any(found.port == name for found in discovery.find_boxes()):
            raise BadValue(f"{name} is the port of a box. Give the port on which the program's "
                           "bytes arrive.")
        self.where = name
        self._say = say
        self.looked_s = host_time_s()
        self._baud = baud
        self._closed = False
        self._waker = Waker()
        self._port: Any = self._open()

    def _open(self) -> Any:
        try:
            port = discovery.open_port(self.where, self._baud)
        except PortNotFound:
            raise PortNotFound(
                self.where,
                f"There is no port {self.where} for the program's bytes. Check the plug and the "
                "names of the ports.",
            ) from None
        port.timeout = _LOOK_S
        return port

    def receive(self) -> bytes | None:
        """See `BytePort`."""
        port = self._port
        if port is None:
            return self._open_again()
        try:
            if os.name == "posix":
                ready = wait_for(port.fd, self._waker)
                self.looked_s = host_time_s()
                if not ready:
                    self._waker.clear()
                    return b""
                data = os.read(port.fd, READ_MOST)
                if not data:
                    raise OSError("it was disconnected")
                return data
            first: bytes = port.read(1)
            self.looked_s = host_time_s()
            return first + port.read(port.in_waiting) if first else b""
        except (serial.SerialException, OSError, TypeError, ValueError) as error:
            if self._closed:
                return b""
            self._say(
                f"The port {self.where} was lost ({error}). Bytes that the program writes now are "
                "lost and can't be counted. Check the plug and the cable.",
                bad=True,
            )
            with suppress(serial.SerialException, OSError):
                port.close()
            self._port = None
            return None

    def _open_again(self) -> bytes:
        select([self._waker], [], [], _RETRY_S)
        self._waker.clear()
        with suppress(PortError):
            self.looked_s = host_time_s()
            self._port = self._open()
            self._say(f"The port {self.where} is available again.")
        return b""

    @property
    def waker(self) -> Waker:
        """See `BytePort`."""
        return self._waker

    @property
    def source(self) -> int | None:
        """See `BytePort`."""
        port = self._port
        return port.fd if port is not None and os.name == "posix" else None

    def is_empty(self) -> bool:
        """See `BytePort`."""
        port = self._port
        if port is None:
            return True
        try:
            return not (readable(port.fd) if os.name == "posix" else port.in_waiting)
        except (serial.SerialException, OSError, TypeError, ValueError):
            return True  # `receive` will say what is wrong

    def wake(self) -> None:
        """See `BytePort`."""
        self._waker.wake()
        port = self._port
        if os.name != "posix" and port is not None:
            port.cancel_read()

    def close(self) -> None:
        """See `BytePort`."""
        if self._closed:
            return
        self._closed = True
        if self._port is not None:
            self._port.close()
        self._waker.close()
