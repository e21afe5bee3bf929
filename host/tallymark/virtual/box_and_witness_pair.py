"""Two virtual boxes: what arrives at the readback of the first arrives at that of the second, too.

So the second is a witness of the first, and a fault in the wiring of the first lies before both.
Both have one time: an event of either happens at its own microsecond for both.
"""

from __future__ import annotations

from tallymark.box.ports.timebase import host_time_s
from tallymark.box.wire.protocol_enumerations import Cause
from tallymark.common.lines.readback_wiring_model import LINES
from tallymark.virtual._virtual import lib
from tallymark.virtual.protocol_virtual import Serial, SteppedTime
from tallymark.virtual.virtual_box import VirtualBox

WITNESS_SERIAL = "7669727475616C02"


class _Linked(VirtualBox):
    """A virtual box that advances together with another one."""

    pair: VirtualPair | None = None

    def advance(self, life_us: int) -> None:
        if self.pair is None:
            super().advance(life_us)
        else:
            self.pair.advance(life_us)

    def advance_alone(self, life_us: int) -> None:
        """As `advance`, without the other box."""
        super().advance(life_us)

    def next_us(self) -> int | None:
        return self.next_alone() if self.pair is None else self.pair.next_us()

    def next_alone(self) -> int | None:
        """As `next_us`, without the other box."""
        return super().next_us()

    def receive(self, data: bytes) -> None:
        super().receive(data)
        if self.pair is not None:
            self.pair.carry()

    def start(self, cause: Cause = Cause.POWER) -> None:
        super().start(cause)
        if self.pair is not None:
            self.pair.carry()

    def see(self, levels: int) -> None:
        """From now on the readback sees these levels, whatever the lines of this box do."""
        table, at_once = bytes([levels]) * 256, [0] * LINES
        with self._lock:
            lib.virtual_wire(self._box, table, at_once, at_once)
            lib.virtual_receive(self._box, b"", 0)  # the core looks, and sends what it captured


class _Port(Serial):
    """A port of one of the two boxes."""

    box_class = _Linked
    other: _Port | None = None

    def _collect(self) -> None:
        super()._collect()
        if self.other is not None:
            Serial._collect(self.other)

    def _is_settled(self) -> bool:
        other = self.other
        return super()._is_settled() and (other is None or Serial._is_settled(other))


class _PairTime(SteppedTime):
    """Stepped time, told alike by both ports."""

    def __init__(self, port: Serial, base: float) -> None:
        super().__init__(port)
        self._base = base


class VirtualPair:
    """Two virtual boxes, `first` driving and `witness` looking on, with a port each.

    url: a `virtual://` URL with the options of the first; its time is that of both.
    Raises BadValue for an option that can't be used.
    """

    def __init__(self, url: str, witness_serial: str = WITNESS_SERIAL) -> None:
        url = "virtual://" if url == "virtual" else url
        self.first: _Port = _opened(url)
        stepped = self.first.pacing is not None
        self.witness: _Port = _opened(
            f"virtual://?serial={witness_serial}&time={'stepped' if stepped else 'real'}"
        )
        self._base = host_time_s()
        self._seen = -1
        self._powered = True
        self._boxes = (self._box(self.first), self._box(self.witness))
        if stepped:
            self.witness.pacing = _PairTime(self.witness, self._base)
        self._join(self.first)
        for box in self._boxes:
            box.pair = self
        self.carry()

    @staticmethod
    def _box(port: _Port) -> _Linked:
        assert isinstance(port.device, _Linked)
        return port.device

    def _join(self, first: _Port) -> None:
        """One lock and one time for both ports."""
        witness = self.witness
        first.other, witness.other = witness, first
        first._changed = witness._changed
        first._born = witness._born
        if first.pacing is not None:
            first.pacing = _PairTime(first, self._base)

    def next_us(self) -> int | None:
        """When something will happen by itself in either box; None: nothing will."""
        ends = [at for box in self._boxes if (at := box.next_alone()) is not None]
        return min(ends, default=None)

    def advance(self, life_us: int) -> None:
        """Moves the time of both, event by event."""
        first, witness = self._boxes
        while True:
            event = first.next_alone()
            at = life_us if event is None else min(event, life_us)
            first.advance_alone(at)
            witness.advance_alone(at)
            self.carry()
            if at == life_us:
                return

    def carry(self) -> None:
        """Lets the witness see what the first one's readback sees now."""
        first, witness = self._boxes
        levels = first.readback if self._powered else 0
        if levels != self._seen:
            self._seen = levels
            witness.see(levels)

    def pull_plug(self) -> None:
        """Takes the power of the first box: its port is gone, and no line is driven."""
        with self.first._changed:
            self.first._catch_up()
            self._powered = False
            self.first.unplug()
            self.carry()
            self.first._collect()

    def plug_in(self) -> None:
        """Gives the first box its power again, on a new port, which is `first` from now on."""
        port = self.reopened()
        with port._changed:
            self._powered = True
            port.device.start()
            self.carry()
            port._collect()

    def reopened(self) -> _Port:
        """A new port of the first box, after the one before was closed or unplugged."""
        port = _Port()
        port.port = self.first.portstr
        port.open()
        port.device = self.first.device
        self._join(port)
        port.device.take()
        self.first = port
        return port


def _opened(url: str) -> _Port:
    port = _Port()
    port.port = url
    port.open()
    return port
