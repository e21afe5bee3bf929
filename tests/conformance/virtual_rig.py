"""The virtual box as a rig: stepped time, and a loopback through the wiring model."""

from __future__ import annotations

from typing import Any

import serial

from tallymark import Box
from tallymark.box.wire.answer_values import Edge
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.virtual import VirtualBox

URL = "virtual://?time=stepped&serial=0102030405060708"
"""With the serial number that the dialogues tell."""


class VirtualRig:
    """See rig.Rig. Time stands still while frames travel."""

    name = "virtual"
    scale = 1
    tolerance_us = 0

    def __init__(self) -> None:
        self._plug_in()

    def _plug_in(self) -> None:
        self.port: Any = serial.serial_for_url(URL)
        self.device: VirtualBox = self.port.device

    def open(self) -> Box:
        if not self.port.is_open:
            self._plug_in()
            self.device.store = self._store
            self.device.start()
            self.receive()
        return Box(self.port)

    def send(self, data: bytes) -> None:
        self.port.write(data)

    def receive(self) -> bytes:
        return bytes(self.port.read(self.port.in_waiting)) + self.device.take()

    def wait(self, microseconds: float) -> None:
        self.device.advance(self.device.life_us + round(microseconds))

    def byte_input(self, data: bytes) -> bool:
        self.port.byte_input(data)
        return True

    def probe(self, name: str, level: int) -> bool:
        self.device.set_probe(name, level)
        return True

    def edges(self) -> list[Edge]:
        return self.device.edges()

    def wire(self, wiring: Wiring) -> None:
        self.device.wire(wiring)

    def power_cycle(self) -> None:
        """A closed virtual port has no box behind it any more: the store moves to the next one."""
        self._store = self.device.store
        if self.port.is_open:
            self.port.power_failure()

    def close(self) -> None:
        self.port.close()
