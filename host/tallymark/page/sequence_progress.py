"""A sequence that plays: how far it is, and what it puts on the lines."""

from __future__ import annotations

from typing import Any

from tallymark.box.sequence import Sequence
from tallymark.box.wire.answer_values import SequenceState
from tallymark.box.wire.protocol_enumerations import SequencePhase
from tallymark.page.output_code_intervals import Block


class SequenceRun:
    """One run of a sequence. started_us: box time of its first edge."""

    def __init__(self, sequence: Sequence, sender: str, started_us: int) -> None:
        self._sequence = sequence
        self._sender = sender
        self._started_us = started_us
        self._next_us = started_us
        self._told = 0
        self._ended_us = 0
        self._row_told = False
        self.played = 0
        self.total = len(sequence.steps) * sequence.repeats
        self.phase = "playing"

    @property
    def ended(self) -> bool:
        """Whether it is over, however it ended."""
        return self.phase != "playing"

    def look(self) -> None:
        """Asks the box how far it is. Raises NoAnswer, PortGone."""
        self.stopped(self._sequence.state())

    def stopped(self, state: SequenceState) -> None:
        """The box told where it stands."""
        self.played = min(state.played, self.total)
        if state.phase is not SequencePhase.PLAYING:
            self._ended_us = state.ended_us
            self.phase = "complete" if self.played >= self.total else "stopped"

    def disconnected(self) -> None:
        """The connection was lost; a box that has its power still may have played on."""
        self.phase = "not known: the connection to the box was lost"

    def lost(self) -> None:
        """The box started again."""
        self.phase = "cut off by a restart of the box"

    def new_blocks(self) -> list[Block]:
        """Blocks of steps that have begun since the last call."""
        blocks = []
        steps = self._sequence.steps
        while self._told < self.played:
            code, hold_us = steps[self._told % len(steps)]
            until = self._next_us + hold_us
            if self.ended and self._ended_us:
                until = min(until, self._ended_us)
            blocks.append(Block(self._next_us, until, code, "step of a sequence"))
            self._next_us += hold_us
            self._told += 1
        return blocks

    def ended_row(self) -> dict[str, Any] | None:
        """A row for the list of what was sent; once, when it is over."""
        if not self.ended or self._row_told:
            return None
        self._row_told = True
        whole = self.phase == "complete"
        text = f"{self.played} of {self.total} steps, timed by the box; not in the marker log"
        return {
            "code": None,
            "name": "sequence",
            "sender": self._sender,
            "fate": "done" if whole else "stopped",
            "box_us": self._started_us,
            "host_us": None,
            "error_us": None,
            "width_us": None,
            "stays": False,
            "remarks": [{"text": text, "severity": "plain" if whole else "bad"}],
            "since_us": None,
        }

    def as_data(self) -> dict[str, Any]:
        """For JSON."""
        return {"played": self.played, "total": self.total, "phase": self.phase}
