"""The C object: a firmware core on a board that is made of memory."""

from __future__ import annotations

from collections.abc import Callable
from threading import RLock

from tallymark.box.wire.answer_values import Edge
from tallymark.box.wire.protocol_enumerations import Cause
from tallymark.common.errors import NotCompiled
from tallymark.common.lines.readback_wiring_model import Wiring

try:
    from tallymark.virtual._virtual import ffi, lib
except ModuleNotFoundError as error:
    raise NotCompiled("virtual box") from error

DEFAULT_SERIAL = bytes.fromhex("7669727475616C01")
NEVER = 2**64 - 1
STORE_SIZE = 128
PROBE_INPUTS = ("light", "sound", "ttl")
"""What `VirtualBox.set_probe` takes, in the order of virtual.h."""
_PIECE = 256  # bytes handed over at once: the answers to that many fit into what the box can hold
_TAKE = 4096
_EDGES = 4096


class VirtualBox:
    """A box without hardware, started and with power. Thread-safe.

    `life_us` counts microseconds since this object was made, through restarts and power cuts;
    `time_us` is box time, which begins at 0 with each start.
    """

    def __init__(
        self,
        serial: bytes = DEFAULT_SERIAL,
        wiring: Wiring | None = None,
        store: bytes | None = None,
    ) -> None:
        if len(serial) != 8:
            raise ValueError(f"a serial number has 8 bytes, not {len(serial)}")
        self._lock = RLock()
        made = lib.virtual_new(serial)
        if made == ffi.NULL:
            raise MemoryError
        self._box = ffi.gc(made, lib.virtual_free)
        self._buffer = ffi.new("uint8_t[]", _TAKE)
        self._edge_buffer = ffi.new("struct virtual_edge[]", _EDGES)
        self._edges: list[Edge] = []
        self._sent = b""
        self._life = 0
        self._started = 0
        self.on_store: Callable[[bytes], None] | None = None
        """Called with the content of the non-volatile memory when the box has written it."""
        if store is not None:
            self.store = store
        self._stored = self.store
        self.wire(wiring or Wiring())
        self.start()

    def start(self, cause: Cause = Cause.POWER) -> None:
        """Starts the box again, as after a power failure or a reset; the store stays."""
        with self._lock:
            self._edges += self._drain_edges()
            lib.virtual_start(self._box, int(cause))
            self._started = self._life

    def cut_power(self, after_writes: int) -> None:
        """Cuts the power when the store has taken that many more bytes, until `start()`."""
        with self._lock:
            lib.virtual_cut_power(self._box, after_writes)

    @property
    def life_us(self) -> int:
        """Microseconds since this object was made."""
        return self._life

    @property
    def time_us(self) -> int:
        """Box time now."""
        with self._lock:
            return int(lib.virtual_time(self._box))

    def next_us(self) -> int | None:
        """`life_us` at which something will happen by itself; None: nothing will."""
        with self._lock:
            at = int(lib.virtual_next(self._box))
            return None if at == NEVER else self._started + at

    def advance(self, life_us: int) -> None:
        """Moves time to `life_us`; everything on the way happens at its own microsecond."""
        with self._lock:
            if life_us > self._life:
                self._life = life_us
                lib.virtual_advance(self._box, life_us - self._started)
                self._restart_if_asked()

    def receive(self, data: bytes) -> None:
        """Bytes that come in on the framed port now."""
        with self._lock:
            for at in range(0, len(data), _PIECE):
                piece = data[at : at + _PIECE]
                lib.virtual_receive(self._box, piece, len(piece))
                self._restart_if_asked()
            if self.on_store is not None and (content := self.store) != self._stored:
                self._stored = content
                self.on_store(content)

    def byte_input(self, data: bytes) -> None:
        """Bytes that come in on the byte input now."""
        with self._lock:
            lib.virtual_byte_input(self._box, data, len(data))

    def take(self) -> bytes:
        """Bytes that the box sent on the framed port."""
        with self._lock:
            sent, self._sent = self._sent + self._drain(), b""
            return sent

    def edges(self) -> list[Edge]:
        """Takes the changes of the output lines since the last call, in box time.

        The first entry after a start is the level at time 0. The box holds 65,536 changes.
        """
        with self._lock:
            taken, self._edges = self._edges + self._drain_edges(), []
            return taken

    @property
    def edges_lost(self) -> int:
        """Changes for which there was no room, because `edges` was not called often enough."""
        with self._lock:
            return int(lib.virtual_edges_lost(self._box))

    @property
    def outputs(self) -> int:
        """Levels on the lines now."""
        with self._lock:
            return int(lib.virtual_outputs(self._box))

    @property
    def readback(self) -> int:
        """Levels at the readback inputs now."""
        with self._lock:
            return int(lib.virtual_readback(self._box))

    def set_probe(self, probe: str, level: int, at_us: int | None = None) -> None:
        """Gives the level at a probe's input from `at_us` on (`life_us`; None, or past: now).

        probe: "light", "sound" (how loud: the distance from rest) or "ttl". level: 0 to 65,535, the
        full scale; the comparators of the board switch at 32,768. Changes may be given ahead, in
        any order; up to 8,192 of them wait. They happen at their microsecond when time passes it,
        also through restarts. Raises ValueError.
        """
        if probe not in PROBE_INPUTS:
            raise ValueError(f"a probe is one of {', '.join(PROBE_INPUTS)}, not {probe!r}")
        if not 0 <= level <= 65_535:
            raise ValueError(f"a level goes from 0 to 65,535, not {level}")
        with self._lock:
            at = self._life if at_us is None else at_us
            box_us = max(0, at - self._started)
            if not lib.virtual_probe(self._box, PROBE_INPUTS.index(probe), level, box_us):
                raise ValueError("8,192 changes of probes wait already; let time pass")

    def probe_level(self, probe: str) -> int:
        """The level at a probe's input now."""
        with self._lock:
            return int(lib.virtual_probe_level(self._box, PROBE_INPUTS.index(probe)))

    def wire(self, wiring: Wiring) -> None:
        """Lays the wires between lines and readback anew."""
        with self._lock:
            lib.virtual_wire(self._box, wiring.table(), wiring.rise_us(), wiring.fall_us())
            self.wiring = wiring

    @property
    def store(self) -> bytes:
        """The non-volatile memory, which holds the settings that were kept."""
        with self._lock:
            return bytes(ffi.buffer(lib.virtual_store(self._box), STORE_SIZE))

    @store.setter
    def store(self, content: bytes) -> None:
        if len(content) != STORE_SIZE:
            raise ValueError(f"the store has {STORE_SIZE} bytes, not {len(content)}")
        with self._lock:
            ffi.memmove(lib.virtual_store(self._box), content, STORE_SIZE)

    def _restart_if_asked(self) -> None:
        if lib.virtual_wants_restart(self._box):
            self._sent += self._drain()
            self.start(Cause.ASKED)

    def _drain(self) -> bytes:
        taken = b""
        while count := lib.virtual_take(self._box, self._buffer, _TAKE):
            taken += ffi.buffer(self._buffer, count)[:]
        return taken

    def _drain_edges(self) -> list[Edge]:
        taken: list[Edge] = []
        while count := lib.virtual_take_edges(self._box, self._edge_buffer, _EDGES):
            taken += [
                Edge(edge.time, edge.levels) for edge in self._edge_buffer[0:count]
            ]
        return taken
