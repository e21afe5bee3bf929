"""A marker log against a plan: what a program sent, and what it should have sent."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tallymark.markerlog import LogData
from tallymark.plan import Plan


@dataclass(frozen=True)
class Place:
    """Where something was found. entry: which entry of the log, counted from 1. time_s: seconds
    since the log began; None if no time is known."""

    entry: int
    time_s: float | None
    code: int


@dataclass(frozen=True)
class LogFinding:
    """One kind of thing that was found, of one event or code.

    kind: a short fixed name for scripts. text: what happened. meaning: for the recording. remedy:
    what to do. count: how often. places: the first few.
    """

    kind: str
    text: str
    meaning: str
    remedy: str
    count: int
    places: list[Place] = field(default_factory=list)

    def __str__(self) -> str:
        return " ".join(part for part in (self.text, self.meaning, self.remedy) if part)


@dataclass(frozen=True)
class LogComparison:
    """What a log shows of a plan.

    counts: for each event (name, code, planned count or None, sent, went out). wrong: what
    contradicts the plan. remarks: what else is worth knowing.
    """

    counts: list[tuple[str, int, int | None, int, int]]
    wrong: list[LogFinding]
    remarks: list[LogFinding]

    @property
    def clean(self) -> bool:
        """Whether nothing contradicts the plan."""
        return not self.wrong

    def as_data(self) -> dict[str, Any]:
        """As JSON data."""
        return {}


def compare_log(plan: Plan, log: LogData) -> LogComparison:
    """Compare what a log holds with a plan. Raises PlanError if the plan names no event."""
    return LogComparison([], [], [])
