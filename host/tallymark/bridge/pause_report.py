"""How often and for how long this program did not run: one sentence for all of it, as a computer
that is short of time stops it some times a second."""

from __future__ import annotations

from tallymark.common.formatting import duration


class ProgramPauses:
    """Counts pauses, and says when what there is to say has changed enough for one more line."""

    def __init__(self) -> None:
        self._count = self._said = 0
        self._worst_us = self._said_us = 0.0

    def add(self, lasted_us: float) -> bool:
        """A pause. Returns whether it deserves a line: the first one, and each time that the count
        or the worst has doubled since the last line."""
        self._count += 1
        self._worst_us = max(self._worst_us, lasted_us)
        due = self._count >= 2 * self._said or self._worst_us >= 2 * self._said_us
        if due:
            self._said, self._said_us = self._count, self._worst_us
        return due

    @property
    def untold(self) -> bool:
        """Whether there were some since the last line."""
        return self._count > self._said

    def text(self) -> str:
        """All of them so far, in words."""
        worst = duration(self._worst_us)
        several = self._count > 1
        often, time = (f"{self._count:,} times, ", "these times") if several else ("", "that time")
        return (
            f"This program did not run {often}for up to {worst}: it was stopped, or the computer "
            f"was in standby or very busy. Bytes received in {time} were late."
        )
