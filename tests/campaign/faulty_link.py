"""The link between host and box, with its faults, and the host's end of it as a pyserial port.

One thread runs at a time: whoever waits in the library moves the world, and hands the baton to the
library's reader thread when bytes have come for it. The reader hands it back when it wants more. So
the library's threads are its own, and yet the same seed gives the same run.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock, Thread, current_thread
from typing import TYPE_CHECKING, Any

from promise_errors import Broken, Killed
from serial import PortNotOpenError, SerialException, SerialTimeoutException

if TYPE_CHECKING:
    from world import World

PATIENCE_S = 60.0
"""Real time after which a reader that does not hand the baton back counts as stuck."""

MOST_WAITS = 2000
"""So often the library may wait in the same microsecond."""


@dataclass(frozen=True)
class Piece:
    """Bytes on their way. label: which write, or which start of the box, they are from."""

    data: bytes
    label: int


class Way:
    """One direction. Bytes keep their order, whatever delays them."""

    def __init__(self, world: World, deliver: Callable[[Piece], None], latency_us: int) -> None:
        self._world = world
        self._deliver = deliver
        self.latency_us = latency_us
        self.faults: deque[tuple[str, int]] = deque()
        self.silent_until = 0
        self.damaged = 0
        self._arrival = 0
        self._open_end = False
        self._lost = -1

    def send(self, data: bytes, label: int, whole: bool = False) -> None:
        """Sends a frame. whole: it is the notice of a start, which no fault may touch, and whose
        beginning those before may not swallow. What they end with is from the start before."""
        if whole:
            if self._open_end:
                self._put(b"\0", label - 1)
            self._put(data, label)
            self._open_end = False
            return
        kind, amount = self.faults.popleft() if self.faults else ("", 0)
        if kind:
            self._world.count(f"fault: {kind}")
            self._world.trace("fault", kind, amount)
        if kind in ("drop", "flip", "cut", "junk"):
            self.damaged += 1
            self._open_end = True
        else:
            self._open_end = self._open_end and not data.endswith(b"\0")
        if kind == "drop":
            return
        if kind == "repeat":
            data += data
        elif kind == "flip":
            changed = bytearray(data)
            for at in (amount % 997, amount // 997):
                changed[at // 8 % len(data)] ^= 1 << at % 8
            data = bytes(changed)
        elif kind == "cut":
            at = amount % len(data)
            data = data[at:] if amount & 1 else data[:at]
        elif kind == "junk":
            data = amount.to_bytes(8, "little") + data
        elif kind == "split":
            self._put(data[: len(data) // 2], label)
            self._arrival += amount
            data = data[len(data) // 2 :]
        elif kind == "late":
            self._arrival = max(self._arrival, self._world.life_us + self.latency_us) + amount
        self._put(data, label)

    def flood(self, data: bytes, label: int) -> None:
        """Junk that nobody sent."""
        self.damaged += 1
        self._open_end = True
        self._put(data, label)

    def lose_all(self) -> None:
        """What is on its way is gone."""
        self._lost = self._world.order

    def _put(self, data: bytes, label: int) -> None:
        if not data:
            return
        now = max(self._world.life_us, self.silent_until)
        self._arrival = max(self._arrival, now + self.latency_us)
        piece, order = Piece(data, label), self._world.order + 1
        self._world.at(self._arrival, lambda: self._arrive(piece, order))

    def _arrive(self, piece: Piece, order: int) -> None:
        if order > self._lost:
            self._deliver(piece)


class Port:
    """The host's end, as pyserial has it, in stepped time."""

    def __init__(self, world: World) -> None:
        self.port = "campaign"
        self.timeout: float | None = None
        self.write_timeout: float | None = None
        self.pacing = Pacing(world, self)
        self.is_open = True
        self.failed = False
        self.blocks = False
        self.heard: list[tuple[bytes, int]] = []
        """What the reader took, with the label of each piece."""
        self.waiting = False
        self._world = world
        self._unread: deque[Piece] = deque()
        self._reader: Thread | None = None
        self._over: Thread | None = None
        self._cancelled = False
        self._go, self._back = Lock(), Lock()
        self._go.acquire()
        self._back.acquire()

    # The library's side -----------------------------------------------------------------------

    def read(self, size: int = 1) -> bytes:
        """Hands the baton back until there are bytes, or time for a look has come."""
        if size == 0:
            self._reader = current_thread()
            return b""
        if not self._unread:
            self._back.release()
            self._go.acquire()
        if self._world.killed is self:
            self._end()
            raise Killed
        if self.failed or not self.is_open:
            self._end()
            raise SerialException("unplugged") if self.failed else PortNotOpenError
        if not self._unread:
            return b""
        piece = self._unread.popleft()
        taken, rest = piece.data[:size], piece.data[size:]
        if rest:
            self._unread.appendleft(Piece(rest, piece.label))
        self.heard.append((taken, piece.label))
        return taken

    def _end(self) -> None:
        self._over = current_thread()
        self._back.release()

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once: those that came together."""
        return len(self._unread[0].data) if self._unread else 0

    def write(self, data: bytes) -> int:
        """Puts a request on its way."""
        world = self._world
        if world.killed is self:
            raise Killed
        if self.failed:
            raise SerialException("unplugged")
        taken = world.killed_within(self, data)
        if taken is not None:
            world.host_wrote(self, data[:taken], data)
            raise Killed
        if self.blocks:
            self.blocks = False
            world.host_wrote(self, data[: len(data) // 2], data)
            raise SerialTimeoutException("Write timeout")
        world.host_wrote(self, data, data)
        return len(data)

    def cancel_read(self) -> None:
        """Lets the reader go on by itself; it is about to end."""
        self._await_reader()
        self._cancelled = True
        self._go.release()

    def close(self) -> None:
        """Closes the port."""
        if self._world.killed is self:
            raise Killed
        self.is_open = False

    # The world's side --------------------------------------------------------------------------

    def arrive(self, piece: Piece) -> None:
        """Bytes from the box."""
        if self.is_open and not self.failed and self._world.killed is not self:
            self._unread.append(piece)

    def has_bytes(self) -> bool:
        """Whether the reader has something to do."""
        return self._reader is not None and (bool(self._unread) or self.failed)

    def turn(self) -> None:
        """Lets the reader work until it wants more."""
        if self._reader is None or self._cancelled:
            return
        self._await_reader()
        if self._over is None:
            self._go.release()
            self.waiting = False
            self._await_reader()
        if self._over is not None:
            self._over.join()
            self._reader = None
        if self._world.killed is self:
            raise Killed

    def free_reader(self) -> None:
        """After a kill: the reader ends too."""
        if self._reader is not None and not self._cancelled and self._over is None:
            self._await_reader()
            if self._over is None:
                self._go.release()
                self._await_reader()
        if self._reader is not None:
            self._reader.join()

    def reader_killed(self) -> None:
        """Called in the reader's thread, which a kill has hit and which unwinds now."""
        if current_thread() is self._reader:
            self._end()

    def _await_reader(self) -> None:
        if self.waiting or self._over is not None or self._reader is None:
            return
        end = time.monotonic() + PATIENCE_S
        while not self._back.acquire(timeout=0.2):
            if not self._reader.is_alive():
                raise Broken("no-stuck-library", "the reader thread has ended")
            if time.monotonic() > end:
                raise Broken("no-stuck-library", "the reader thread never came back")
        self.waiting = True


class Pacing:
    """Time for the library: it moves while somebody waits. See tallymark.box.ports.timebase."""

    def __init__(self, world: World, port: Port) -> None:
        self._world = world
        self._port = port
        self._idle = 0
        self._waited_at = -1

    def now(self) -> float:
        """Seconds on the host's clock."""
        return self._world.clock.at(self._world.life_us)

    def sleep(self, seconds: float) -> None:
        """Lets the world go on for that long."""
        self._world.go_on(self._world.clock.when(self.now() + seconds))

    def wait(
        self, condition: Any, ready: Callable[[], bool], timeout: float | None
    ) -> bool:
        """Lets the world go on until `ready()`, or for that long."""

        def done() -> bool:
            with condition:
                return ready()

        if self._world.killed is self._port:
            raise Killed
        self._idle = self._idle + 1 if self._world.life_us == self._waited_at else 0
        self._waited_at = self._world.life_us
        if self._idle > MOST_WAITS:
            raise Broken("no-stuck-library", "it waits again and again, and no time passes")
        end = None
        if timeout is not None:  # the sum may be rounded to now, and some time has to pass
            least = self._world.life_us + int(timeout > 0)
            end = max(self._world.clock.when(self.now() + timeout), least)
        return self._world.go_on(end, done)
