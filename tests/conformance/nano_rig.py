"""The Nano's real image in a chip simulator as a rig: frames travel at the speed of the wire."""

from __future__ import annotations

import sys
from pathlib import Path

from tallymark import Box
from tallymark.box.wire.answer_values import Edge
from tallymark.common.lines.readback_wiring_model import Wiring

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "nano"))

import nano_image
from nano_chip import CYCLES_PER_US, EEPROM_SIZE, Chip, Wires
from nano_port import NanoPort

SERIAL_AT = 16
SERIAL = bytes.fromhex("0102030405060708")


class NanoRig:
    """See rig.Rig."""

    name = "nano"
    scale = 100
    tolerance_us = 20_000

    def __init__(self) -> None:
        self.chip = Chip(nano_image.nano(), eeprom=with_serial(SERIAL))
        self.port: NanoPort | None = None
        self.chip.run_us(6000)

    def open(self) -> Box:
        self.port = NanoPort(self.chip)
        return Box(self.port)

    def send(self, data: bytes) -> None:
        self.chip.send(data)

    def receive(self) -> bytes:
        return self.chip.take()

    def wait(self, microseconds: float) -> None:
        self.chip.run_us(microseconds)

    def byte_input(self, data: bytes) -> bool:
        return False

    def probe(self, name: str, level: int) -> bool:
        """What the jumper of the board connects to D12: the TTL input."""
        if name != "ttl":
            return False
        self.chip.set_probe(level >= 1 << 15)
        return True

    def edges(self) -> list[Edge]:
        return [Edge(cycle / CYCLES_PER_US, levels) for cycle, levels in self.chip.edges()]

    def wire(self, wiring: Wiring) -> None:
        self.chip.wire(
            Wires(
                wiring.table(),
                [us * CYCLES_PER_US for us in wiring.rise_us()],
                [us * CYCLES_PER_US for us in wiring.fall_us()],
            )
        )

    def power_cycle(self) -> None:
        self.chip.power_cycle()
        self.chip.run_us(6000)
        if self.port is None or not self.port.is_open:
            self.chip.take()

    def close(self) -> None:
        if self.port is not None:
            self.port.close()


def with_serial(serial: bytes) -> bytes:
    """An EEPROM with a serial number in it, as the firmware keeps it."""
    check = 0x5A
    for byte in serial:
        check = (check + byte) * 3 & 0xFF
    content = bytearray(b"\xff" * EEPROM_SIZE)
    content[SERIAL_AT : SERIAL_AT + 9] = serial + bytes([check])
    return bytes(content)
