"""Internal: what a lab notebook wants to know and no file tells."""

from __future__ import annotations

from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Notebook:
    """Free texts at the head of a report; an empty one leaves a line to write on."""

    participant: str = ""
    """A code rather than a name, as reports are passed on."""
    session: str = ""
    experimenter: str = ""
    amplifier: str = ""

    def rows(self) -> list[tuple[str, str]]:
        """Each field with its text, in order."""
        return [(name, text.strip()) for name, text in asdict(self).items()]
