"""The same worlds with a chip's own image in the place of the virtual board.

No model runs beside a chip, whose frames take their time. Each marker of a script has a code of its
own instead, and so has each step of a sequence, so that the pins alone tell what became of it.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import nano_image
from faulty_link import Piece
from nano_chip import CYCLES_PER_US, Chip
from pico_chip import PicoChip
from promise_checks import Asked, Ledger, Session
from promise_errors import Broken
from world import World

from tallymark import Box, Outcome
from tallymark.box.link.marker import Marker
from tallymark.box.wire.answer_values import Edge
from tallymark.box.wire.protocol_enumerations import Cause, Notice, Request
from tallymark.markerlog.reader import read

SLICE_US = 500
CLOCK_STEP_US = 1.5
"""Box time is a whole number of microseconds, and so is a width: two roundings."""
UCSR0B, RECEIVER_ON = 0xC1, 0x10
SERIAL = bytes.fromhex("0102030405060708")
_NONE: frozenset[int] = frozenset()


class NanoDevice:
    """The Nano's image, as a world needs it."""

    def __init__(self) -> None:
        self._chip = Chip(nano_image.nano())
        self._chip.run_us(6000)

    @property
    def life_us(self) -> int:
        """The chip's time."""
        return self._chip.cycle // CYCLES_PER_US

    def next_us(self) -> int:
        """When to look again."""
        return self.life_us + SLICE_US

    def advance(self, life_us: int) -> None:
        """Lets the chip run."""
        self._chip.run_us(life_us - self.life_us)

    def receive(self, data: bytes) -> None:
        """Bytes on the serial line; nobody hears them before the firmware has opened its port."""
        if self._chip.register(UCSR0B) & RECEIVER_ON:
            self._chip.send(data)

    def take(self) -> bytes:
        """Bytes that the chip has sent."""
        return self._chip.take()

    def edges(self) -> list[Edge]:
        """Changes of the pins since the last call."""
        return [Edge(cycle / CYCLES_PER_US, levels) for cycle, levels in self._chip.edges()]

    def start(self) -> None:
        """Takes the power away for a moment."""
        self._chip.power_cycle()

    def close(self) -> None:
        """Nothing is left over."""


class PicoDevice(PicoChip):
    """The Pico's image, as a world needs it."""

    def __init__(self) -> None:
        super().__init__(SERIAL)

    def next_us(self) -> int:
        """When to look again."""
        return self.life_us + SLICE_US


class PinLedger(Ledger):
    """What the pins must have done: see the module."""

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.told: list[Asked] = []
        self.after: list[Asked] = []

    def wrote(self, asked: Asked) -> None:
        """See Ledger."""
        super().wrote(asked)
        self.after.append(asked)

    def _check_done(self, asked: Asked, marker: Marker, session: Session, box: Box | None) -> None:
        self.told.append(asked)

    def check_end(self, session: Session) -> None:
        """Nothing is open, and the log says of each marker what the host was told."""
        for asked in session.asked:
            if asked.marker is not None and asked.marker.outcome is Outcome.OPEN:
                raise Broken("nothing-stays-open", f"{asked.marker} after the end")
        fates = {each.number: each.fate for each in read(session.log_path).markers}
        for asked in session.asked:
            marker = asked.marker
            if marker is None or asked.number is None:
                continue
            if fates[marker.number] != marker.outcome.value:
                raise Broken("log-true", f"{marker} is {fates[marker.number]} in the log")

    def check_pins(
        self, pins: list[Edge], starts: int = 1, in_sequences: frozenset[int] = _NONE
    ) -> None:
        """After all: the pins, marker by marker. Widths are those asked for, or cut by the next.

        starts: how often the box has started at most. in_sequences: codes of all sequences that the
        host wanted to play.
        """
        out: dict[int, tuple[float, float | None, bool]] = {}
        played: list[tuple[int, float, float | None]] = []
        for edge, after in zip(pins, [*pins[1:], None], strict=True):
            if edge.levels == 0:
                continue
            lasted = None if after is None else after.time_us - edge.time_us
            if edge.levels in in_sequences:
                played.append((edge.levels, edge.time_us, lasted))
                continue
            if edge.levels in out:
                raise Broken("at-most-once", f"code {edge.levels} was on the pins twice")
            out[edge.levels] = edge.time_us, lasted, after is not None and after.levels != 0
        asked = {each.code: each for each in self.after if each.code > 0}
        if unasked := out.keys() - asked.keys():
            raise Broken("lines-lawful", f"codes {unasked} were on the pins, and nobody asked")
        offsets = [
            self._check_sequence(each, played)
            for each in self.after
            if each.steps and each.marker is not None and each.marker.outcome is Outcome.DONE
        ]
        for code, each in asked.items():
            marker = each.marker
            assert marker is not None
            if marker.outcome is Outcome.REFUSED and code in out:
                raise Broken("refused-is-true", f"{marker} was on the pins")
            if marker.outcome is not Outcome.DONE:
                continue
            if code not in out:
                raise Broken("confirmed-is-true", f"{marker} was never on the pins")
            at, lasted, cut = out[code]
            offsets.append(at - marker.box_time_us)
            self._check_width(marker, lasted, cut or starts > 1)
        # Box time begins again with each start, and between two of them no clock has moved.
        apart = [after - before > CLOCK_STEP_US for before, after in pairwise(sorted(offsets))]
        if sum(apart) >= starts:
            raise Broken("confirmed-is-true", f"times differ from the pins' by {sorted(offsets)}")

    def _check_sequence(
        self, asked: Asked, played: list[tuple[int, float, float | None]]
    ) -> float:
        """A sequence that was confirmed: its steps in order, each as long as it should be. Only the
        last one may be short. Returns how much later the pins' time is than the box's."""
        codes = {code for code, _ in asked.steps}
        there = [each for each in played if each[0] in codes]
        if [code for code, _, _ in there] != [code for code, _ in asked.steps][: len(there)]:
            raise Broken("lines-lawful", f"{there} on the pins, not {asked.steps}")
        if not there:
            raise Broken("confirmed-is-true", f"sequence {asked.steps} was never on the pins")
        for (_, _, lasted), (code, us) in list(zip(there, asked.steps, strict=False))[:-1]:
            if lasted is None or abs(lasted - us) > CLOCK_STEP_US:
                raise Broken("lines-lawful", f"step {code} lasted {lasted} µs, not {us}")
        assert asked.marker is not None
        return there[0][1] - float(asked.marker.box_time_us)

    def _check_width(self, marker: Marker, lasted: float | None, cut: bool) -> None:
        if marker.request is not Request.PULSE_FOR or lasted is None:
            return
        assert marker.width_us is not None
        off = lasted - marker.width_us
        if off > CLOCK_STEP_US or (off < -CLOCK_STEP_US and not cut):
            raise Broken("lines-lawful", f"{marker} lasted {lasted} µs")


class ChipWorld(World):
    """A world around a chip. `pins` is what its lines did."""

    def __init__(self, device: Any, in_sequences: frozenset[int] = _NONE) -> None:
        super().__init__(device=device)
        self.in_sequences = in_sequences
        self.ledger = PinLedger(self.clock, self.count)
        self.pins: list[Edge] = []
        self.starts = 1
        self._rest = b""
        self.device.edges()
        self.device.take()

    def restart_box(self, cause: Cause = Cause.POWER) -> None:
        """The box loses its power for a moment, whatever the cause."""
        self.trace("restart")
        self.count("restarts of the box")
        self._collect()
        self.device.start()

    def _at_box(self, piece: Piece) -> None:
        self.trace("at box", piece.data)
        self.device.receive(piece.data)

    def _step(self, life_us: int) -> None:
        if life_us > self.life_us:
            self.device.advance(life_us)
            self._collect()
        self._happen()

    def _collect(self) -> None:
        edges = self.device.edges()
        self.pins += edges
        self.counts["changes of the lines"] += len(edges)
        *whole, self._rest = (self._rest + self.device.take()).split(b"\0")
        for wire in whole:
            self.starts += wire[1:2] == bytes((Notice.STARTED,))
            self.to_host.send(wire + b"\0", 1, whole=wire[1:2] >= b"\xc0")

    def _hear(self) -> None:
        """There is no model that could say what was told."""

    def finish(self) -> None:
        """Checks the pins."""
        self._collect()
        self.check_pins(self.pins)

    def check_pins(self, pins: list[Edge]) -> None:
        """Whether they are what was asked for, refused and told."""
        self.ledger.check_pins(pins, self.starts, self.in_sequences)
