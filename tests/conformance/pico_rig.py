"""The Pico's real image in a chip simulator as a rig, behind a simulated USB host."""

from __future__ import annotations

import sys
from pathlib import Path

from tallymark import Box
from tallymark.box.wire.answer_values import Edge
from tallymark.common.lines.readback_wiring_model import Wiring

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "pico"))

from pico_chip import PicoChip, PicoPort

ANSWER_US = 300
"""How long a request and its answer are on the way at most: answers wait out a frame."""
STEP_US = 3
SERIAL = bytes.fromhex("0102030405060708")


class PicoRig:
    """See rig.Rig."""

    name = "pico"
    scale = 10
    tolerance_us = 2000

    def __init__(self) -> None:
        self.chip = PicoChip(SERIAL)
        self.port: PicoPort | None = None

    def open(self) -> Box:
        self.port = PicoPort(self.chip)
        return Box(self.port)

    def send(self, data: bytes) -> None:
        self.chip.receive(data)
        for _ in range(ANSWER_US // STEP_US):
            self.wait(STEP_US)
            if self.chip.has_sent:
                break

    def receive(self) -> bytes:
        return self.chip.take()

    def wait(self, microseconds: float) -> None:
        self.chip.advance(self.chip.life_us + round(microseconds))

    def byte_input(self, data: bytes) -> bool:
        self.chip.byte_input(data)
        return True

    def probe(self, name: str, level: int) -> bool:
        """The comparators of light and sound stay high, as in the dark and silence."""
        if name != "ttl":
            return False
        self.chip.set_probes(3 | (4 if level >= 1 << 15 else 0))
        return True

    def edges(self) -> list[Edge]:
        return self.chip.edges()

    def wire(self, wiring: Wiring) -> None:
        self.chip.wire(wiring)

    def power_cycle(self) -> None:
        self.chip.start()

    def close(self) -> None:
        if self.port is not None:
            self.port.close()
        self.chip.close()
