"""A host that asks as fast as the window allows, and answers no time at all after each answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from nano_chip import CLOCK, Chip
from raw_frames import NOTICES, Message, frame, messages

WINDOW = 96
HISTORY = 16
Ask = Callable[[int], tuple[int, bytes]]
"""(number of the request) -> kind and body."""


@dataclass
class Host:
    """Keeps the chip's window full of requests while time passes."""

    chip: Chip
    ask: Ask
    tag: int = 0
    number: int = 0
    outstanding: dict[int, int] = field(default_factory=dict)
    """Tag and wire length of each request that is not answered."""
    answers: list[Message] = field(default_factory=list)
    notices: list[Message] = field(default_factory=list)
    most_outstanding: int = 0
    asking: bool = True

    def run(self, microseconds: float) -> None:
        """Asks for that long, then waits for the answers that are still due."""
        chip = self.chip
        chip.on_byte = self._byte
        self.asking = True
        self._fill()
        chip.run_us(microseconds)
        self.asking = False
        for _ in range(100):
            if not self.outstanding:
                break
            chip.run_us(500)
        chip.on_byte = None

    def _byte(self, byte: int) -> None:
        if byte != 0:
            return
        for message in messages(self.chip.received):
            if message.kind >= NOTICES:
                self.notices.append(message)
            else:
                del self.outstanding[message.tag]
                self.answers.append(message)
        self._fill()

    def _fill(self) -> None:
        while self.asking and len(self.outstanding) < HISTORY - 1:
            kind, body = self.ask(self.number)
            tag = self.tag % 255 + 1
            wire = frame(kind, tag, body)
            if sum(self.outstanding.values()) + len(wire) > WINDOW:
                return
            self.tag = tag
            self.number += 1
            self.outstanding[tag] = len(wire)
            self.most_outstanding = max(self.most_outstanding, sum(self.outstanding.values()))
            self.chip.send(wire)

    def rate(self) -> float:
        """Answers a second, from the first answer to the last."""
        first, last = self.answers[0].cycle, self.answers[-1].cycle
        return (len(self.answers) - 1) * CLOCK / (last - first)
