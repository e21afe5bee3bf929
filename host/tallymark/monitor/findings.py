"""What a comparison of a marker log with a plan found."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

MOST_PLACES = 20
"""So many places of a finding are listed."""


@dataclass(frozen=True)
class Place:
    """Where something was found.

    entry: which marker of the session, counted from 1. time_s: seconds since the log began (its own
    part, where several were appended); None if no time is known. note: what was found there.
    """

    entry: int
    time_s: float | None
    code: int
    note: str = ""


@dataclass(frozen=True)
class LogFinding:
    """One kind of thing that was found, of one code or of all.

    kind: a short fixed name for scripts. text: what happened. meaning: for the recording. remedy:
    what to do. count: how often. places: the first few.
    """

    kind: str
    text: str
    meaning: str = ""
    remedy: str = ""
    count: int = 1
    places: list[Place] = field(default_factory=list)

    def __str__(self) -> str:
        return " ".join(part for part in (self.text, self.meaning, self.remedy) if part)


@dataclass(frozen=True)
class LogComparison:
    """What a log shows of a plan.

    counts: for each event (name, code, planned count or None, sent, went out). wrong: what
    contradicts the plan or harms the recording. remarks: what else is worth knowing.
    """

    counts: list[tuple[str, int, int | None, int, int]]
    wrong: list[LogFinding]
    remarks: list[LogFinding]

    @property
    def clean(self) -> bool:
        """Whether nothing is wrong."""
        return not self.wrong

    def as_data(self) -> dict[str, Any]:
        """As JSON data."""
        names = ("name", "code", "planned", "sent", "went_out")
        return {
            "clean": self.clean,
            "events": [dict(zip(names, row, strict=True)) for row in self.counts],
            "wrong": [asdict(finding) for finding in self.wrong],
            "remarks": [asdict(finding) for finding in self.remarks],
        }
