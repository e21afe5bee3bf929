"""The interface through which the conformance tests use a board."""

from __future__ import annotations

from typing import Protocol

from tallymark import Box
from tallymark.box.wire.answer_values import Edge
from tallymark.common.lines.readback_wiring_model import Wiring


class Rig(Protocol):
    """A box with its framed port, its pins and the wires of its loopback.

    A rig keeps *stepped time*: nothing moves on the board until somebody waits.
    """

    name: str
    scale: int
    """Durations in a test are made this many times longer, so that the time that frames take on
    the way does not matter; 1 on a board whose time stands still while frames travel."""
    tolerance_us: int
    """How much later than asked for something may be, because of that way."""

    def open(self) -> Box:
        """Opens the box with the host library."""

    def send(self, data: bytes) -> None:
        """Bytes to the framed port, past the library."""

    def receive(self) -> bytes:
        """Bytes that the box has sent until now, past the library."""

    def wait(self, microseconds: float) -> None:
        """Lets time pass."""

    def byte_input(self, data: bytes) -> bool:
        """Bytes to the byte input; False where the board has none beside the framed port."""

    def probe(self, name: str, level: int) -> bool:
        """The level of a probe's input from now on: "light", "sound" or "ttl", 0 to 65,535. False
        where the board, or its simulator, has no such input."""

    def edges(self) -> list[Edge]:
        """Changes of the eight output pins since the last call, on the time of the pins."""

    def wire(self, wiring: Wiring) -> None:
        """Connects the loopback."""

    def power_cycle(self) -> None:
        """Switches the power off and on; kept settings remain."""

    def close(self) -> None:
        """Releases all resources."""
