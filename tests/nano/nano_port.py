"""A serial port, as pyserial has them, with the simulated Nano behind it, in stepped time.

Time moves on the chip only while somebody waits (`box.ports.timebase`). Opening the port drives
DTR, which resets such boards through a capacitor; the boot loader then listens before it starts the
firmware, and here is a pause in which the chip does nothing and bytes are lost.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from threading import Condition

from nano_chip import CLOCK, CYCLES_PER_US, Chip
from serial import PortNotOpenError, SerialBase, SerialException

from tallymark.box.ports.timebase import host_time_s

SLICE_US = 200
NOBODY_READS_S = 5.0


class NanoPort(SerialBase):  # type: ignore[misc]
    """See the module. `boot_loader_us`: how long after a reset the firmware begins, where the chip
    has no boot loader. `skew`: how much faster the host's bits are than they should be, while the
    boot loader runs."""

    def __init__(
        self,
        chip: Chip,
        *,
        dtr_resets: bool = False,
        boot_loader_us: int = 0,
        skew: float = 0.0,
    ) -> None:
        self.chip = chip
        self.pacing = SteppedTime(self)
        self._dtr_resets = dtr_resets
        self._boot_loader_us = boot_loader_us
        self._skew = skew
        self._deaf_until = 0
        self._changed = Condition()
        self._unread = bytearray()
        self._waiting_readers = 0
        self._was_read = False
        super().__init__(baudrate=chip.baud)
        self.portstr = self.name = "nano"
        self.open()

    def open(self) -> None:
        """Opens the port; DTR goes active, and the board starts anew if it is wired so."""
        self.is_open = True
        if self._dtr_resets:
            self.chip.hold_in_reset(self._boot_loader_us * CYCLES_PER_US)
            self._deaf_until = self.chip.cycle + self._boot_loader_us * CYCLES_PER_US

    def close(self) -> None:
        """Closes the port; the chip goes on. May be called twice."""
        with self._changed:
            self.is_open = False
            self._changed.notify_all()

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        with self._changed:
            self._check()
            return len(self._unread)

    def read(self, size: int = 1) -> bytes:
        """Reads `size` bytes, or fewer when the port's timeout is over."""
        end = None if self._timeout is None else time.perf_counter() + self._timeout
        with self._changed:
            self._was_read = True
            while True:
                self._check()
                left = None if end is None else end - time.perf_counter()
                if len(self._unread) >= size or (left is not None and left <= 0):
                    data = bytes(self._unread[:size])
                    del self._unread[:size]
                    return data
                self._waiting_readers += 1
                self._changed.notify_all()
                self._changed.wait(left)
                self._waiting_readers -= 1

    def write(self, data: bytes, /) -> int:
        """Puts bytes on the line to the chip; they travel while time moves."""
        with self._changed:
            self._check()
            if self.chip.cycle >= self._deaf_until:
                in_firmware = self.chip.bit_cycles() * self.baudrate == CLOCK
                self.chip.baud = round(self.baudrate * (1 + (0 if in_firmware else self._skew)))
                self.chip.send(data)
        return len(data)

    def reset_input_buffer(self) -> None:
        """Drops what was not read yet."""
        with self._changed:
            self._unread.clear()

    def reset_output_buffer(self) -> None:
        """Bytes are on the line at once."""

    def flush(self) -> None:
        """See `reset_output_buffer`."""

    def _reconfigure_port(self) -> None:
        """The line has the chip's baud rate."""

    def _update_rts_state(self) -> None:
        """Without a meaning here."""

    def _update_dtr_state(self) -> None:
        """The reset happens in `open`."""

    def _update_break_state(self) -> None:
        """Without a meaning here."""

    def _check(self) -> None:
        if not self.is_open:
            raise PortNotOpenError

    def settle(self) -> None:
        """Returns when whoever reads has taken everything and waits for more."""
        with self._changed:
            if not self._was_read:
                return
            settled = self._changed.wait_for(
                lambda: not self.is_open or (not self._unread and self._waiting_readers > 0),
                NOBODY_READS_S,
            )
        if not settled:
            raise SerialException("nobody reads the port, so that time can't move")

    def step(self, until: int) -> bool:
        """Lets the chip run for a slice, or until that cycle. False if it is there already."""
        with self._changed:
            cycles = min(until - self.chip.cycle, SLICE_US * CYCLES_PER_US)
            if cycles <= 0:
                return False
            self.chip.run(cycles)
            sent = self.chip.take()
            if sent:
                self._unread += sent
                self._changed.notify_all()
            return True


class SteppedTime:
    """See tallymark.box.ports.timebase.Pacing."""

    FOR_EVER_S = 30.0
    """How long a wait without a limit lasts in the box's time; then only other threads can help."""

    def __init__(self, port: NanoPort) -> None:
        self._port = port
        self._base = host_time_s()

    def now(self) -> float:
        """Seconds; begins at the computer's own time."""
        return self._base + self._port.chip.cycle / CLOCK

    def sleep(self, seconds: float) -> None:
        """Lets the chip run for that long."""
        end = self._port.chip.cycle + round(seconds * CLOCK)
        self._port.settle()
        while self._port.step(end):
            self._port.settle()

    def wait(
        self, condition: Condition, ready: Callable[[], bool], timeout: float | None
    ) -> bool:
        """Lets the chip run until `ready()` or the timeout in its time."""
        limit = self.FOR_EVER_S if timeout is None else timeout
        end = self._port.chip.cycle + math.ceil(limit * CLOCK)  # down would never end
        while True:
            self._port.settle()
            with condition:
                if ready():
                    return True
            if not self._port.step(end):
                break
        with condition:
            return condition.wait_for(ready, None if timeout is None else 0)
