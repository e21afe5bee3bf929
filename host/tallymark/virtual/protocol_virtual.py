"""The pyserial URL `virtual://`: a port with a virtual box behind it.

    virtual://                                   a box in real time
    virtual://?time=stepped                      a box whose time moves only while somebody waits
    virtual://?serial=00112233AABBCCDD           its serial number, 16 hexadecimal digits
    virtual://?fault=open:3&fault=swapped:1,2    faults in its wiring, named as in
                                                 `tallymark.common.lines.readback_wiring_model`
    virtual://?store=settings.bin                a file that keeps its settings from run to run

`import tallymark` registers it, so that `serial.serial_for_url` knows it too.

In real time a written byte is handled at once, and a reader sleeps until bytes or the box's next
event are due. In stepped time the port carries a `pacing` that moves time (`box.ports.timebase`):
before time moves, whoever reads the port has taken every byte that the box sent, so that a program
gives the same result each time. One thread should read; any may wait.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import nullcontext
from functools import partial
from pathlib import Path
from threading import Condition, get_ident
from typing import Any
from urllib.parse import parse_qs, urlsplit

from serial import PortNotOpenError, SerialBase, SerialException

from tallymark.box.ports.timebase import host_time_s
from tallymark.common.errors import BadValue
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.virtual.serial_number_and_store import read_store, serial_number, write_store
from tallymark.virtual.url_option_help import OPTIONS
from tallymark.virtual.virtual_box import DEFAULT_SERIAL, VirtualBox

_UNREAD_MOST = 65536
_SETTLE_S = 5.0


class Serial(SerialBase):
    """A serial port with a virtual box behind it, which is `device`."""

    device: VirtualBox
    pacing: SteppedTime | None = None
    box_class: type[VirtualBox] = VirtualBox

    def open(self) -> None:
        """Makes the box and starts it."""
        options = _options(self.portstr or "")
        times = options.get("time", ["real"])[-1]
        if times not in ("real", "stepped"):
            raise BadValue(f"The option time of a virtual box is real or stepped, not '{times}'.")
        self._store_path = Path(options["store"][-1]) if "store" in options else None
        serial = DEFAULT_SERIAL
        if "serial" in options:
            serial = serial_number(options["serial"][-1])
        wiring = Wiring(options.get("fault", ()))
        self.device = self.box_class(serial, wiring, read_store(self._store_path))
        if self._store_path is not None:
            self.device.on_store = partial(write_store, self._store_path)
        self._born = host_time_s()
        self._changed = Condition()
        self._unread = bytearray()
        self._waiting_readers = 0
        self._cancelled = False
        self._reader: int | None = None
        self._unplugged = False
        self.pacing = SteppedTime(self) if times == "stepped" else None
        self.is_open = True

    def close(self) -> None:
        """Ends the box; whoever reads gets an error. May be called twice."""
        if not self.is_open:
            return
        with self._changed:
            self.is_open = False
            self._changed.notify_all()

    def unplug(self) -> None:
        """Pulls the plug: reading and writing fail from now on, as with a real port."""
        with self._changed:
            self._unplugged = True
            self._changed.notify_all()

    def power_failure(self) -> None:
        """Takes the box's power for a moment, while the port stays."""
        with self._changed:
            self._catch_up()
            self.device.start()
            self._collect()

    def byte_input(self, data: bytes) -> None:
        """Bytes that come in on the byte input now."""
        with self._changed:
            self._catch_up()
            self.device.byte_input(data)
            self._collect()

    def set_probe(self, probe: str, level: int, at_us: int | None = None) -> None:
        """Gives the level at a probe's input from `at_us` on: see `VirtualBox.set_probe`. Whoever
        waits for the box wakes up for it."""
        with self._changed:
            self._catch_up()
            self.device.set_probe(probe, level, at_us)
            self._collect()
            self._changed.notify_all()

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        with self._changed:
            self._check()
            self._catch_up()
            return len(self._unread)

    def read(self, size: int = 1) -> bytes:
        """Reads `size` bytes, or fewer when the port's timeout is over."""
        end = None if self.timeout is None else time.perf_counter() + self.timeout
        with self._changed:
            self._reader = get_ident()
            while True:
                self._check()
                self._catch_up()
                left = None if end is None else end - time.perf_counter()
                over = self._cancelled or (left is not None and left <= 0)
                if len(self._unread) >= size or over:
                    self._cancelled = False
                    data = bytes(self._unread[:size])
                    del self._unread[:size]
                    return data
                self._wait_for_bytes(left)

    def cancel_read(self) -> None:
        """Lets a `read` that waits return with what there is."""
        with self._changed:
            self._cancelled = True
            self._changed.notify_all()

    def write(self, data: Any, /) -> int:
        """Hands bytes to the box, which has handled them when this returns."""
        with self._changed:
            self._check()
            self._catch_up()
            self.device.receive(bytes(data))
            self._collect()
        return len(data)

    def reset_input_buffer(self) -> None:
        """Drops what was not read yet."""
        with self._changed:
            self._check()
            self._catch_up()
            self._unread.clear()

    def reset_output_buffer(self) -> None:
        """Nothing waits there: a written byte is handled at once."""

    def flush(self) -> None:
        """See `reset_output_buffer`."""

    def _reconfigure_port(self) -> None:
        """Baud rate and the like have no meaning here."""

    def _update_rts_state(self) -> None:
        """Without a meaning here."""

    def _update_dtr_state(self) -> None:
        """Without a meaning here."""

    def _check(self) -> None:
        if not self.is_open:
            raise PortNotOpenError
        if self._unplugged:
            raise SerialException("the virtual box was unplugged")

    def _catch_up(self) -> None:
        """Moves a real-time box to now."""
        if self.pacing is None:
            self.device.advance(int((host_time_s() - self._born) * 1e6))
            self._collect()

    def _collect(self) -> None:
        if len(self._unread) < _UNREAD_MOST and (sent := self.device.take()):
            self._unread += sent
            self._changed.notify_all()

    def _wait_for_bytes(self, left: float | None) -> None:
        if self.pacing is None:
            event = self.device.next_us()
            if event is not None:
                until_event = max(0.0, event * 1e-6 - (host_time_s() - self._born))
                left = until_event if left is None else min(left, until_event)
            self._changed.wait(left)
            return
        self._waiting_readers += 1
        self._changed.notify_all()
        self._changed.wait(left)
        self._waiting_readers -= 1

    def settle(self) -> None:
        """Returns when whoever reads has taken everything and waits for more.

        At once if nobody reads, or if it is the caller, who will when time has moved."""
        with self._changed:
            settled = self._changed.wait_for(self._is_settled, _SETTLE_S)
        if not settled:
            raise RuntimeError("the virtual box is not read, so its time can't advance")

    def _is_settled(self) -> bool:
        if self._reader in (None, get_ident()) or self._unplugged or not self.is_open:
            return True
        return not self._unread and self._waiting_readers > 0

    def step(self, life_us: int | None) -> bool:
        """Moves stepped time to the box's next event or to `life_us`, whichever comes first.

        False if time is there already, or if nothing will ever happen by itself. True without
        moving it if bytes came in the meantime, which whoever reads has to take first.
        """
        with self._changed:
            if not self._is_settled():
                return True
            event = self.device.next_us()
            ends = [at for at in (event, life_us) if at is not None]
            if not ends or min(ends) <= self.device.life_us:
                return False
            self.device.advance(min(ends))
            self._collect()
            return True


class SteppedTime:
    """Time that moves only while somebody waits. See tallymark.box.ports.timebase.Pacing."""

    def __init__(self, port: Serial) -> None:
        self._port = port
        self._base = host_time_s()
        self._sending: Condition | None = None

    def now(self) -> float:
        """Seconds; begins at the computer's own time, so that logs can be dated."""
        return self._base + self._port.device.life_us * 1e-6

    def sleep(self, seconds: float) -> None:
        """Lets the box's time go on by that much, event by event."""
        end = self._port.device.life_us + round(seconds * 1e6)
        self._port.settle()
        while self._step(end):
            self._port.settle()

    def _step(self, end: int) -> bool:
        # Time must not move between a request's time stamp and its way to the box.
        with self._sending or nullcontext():
            return self._port.step(end)

    def wait(
        self, condition: Condition, ready: Callable[[], bool], timeout: float | None
    ) -> bool:
        """Lets the box's time go on until `ready()` or the timeout in box time."""
        self._sending = condition  # held by whoever sends
        end = None
        if timeout is not None:  # a rest of less than a microsecond has to pass too
            ticks = round(timeout * 1e6) or int(timeout > 0)
            end = self._port.device.life_us + ticks
        while True:
            self._port.settle()
            with condition:  # so that nobody can send between the look and the step
                if ready():
                    return True
                if not self._port.step(end):
                    break
        with condition:  # nothing happens by itself any more: only another thread can help
            return condition.wait_for(ready, None if end is None else 0)


def _options(url: str) -> dict[str, list[str]]:
    parts = urlsplit(url)
    if parts.netloc or parts.path.strip("/"):
        raise BadValue(f"'{url}' should begin with 'virtual://?'; options come after it.")
    options: dict[str, list[str]] = parse_qs(parts.query, keep_blank_values=True)
    for name in options:
        if name not in OPTIONS:
            raise BadValue(f"'{name}' is not an option of a virtual box. Options: "
                           f"{', '.join(OPTIONS)}.")
    return options
