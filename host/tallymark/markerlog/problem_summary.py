"""What was said to be wrong, summed up: sentences that differ in numbers alone are one."""

from __future__ import annotations

import re
from dataclasses import dataclass

_NUMBER = re.compile(r"\d[\d.,:]*")


@dataclass
class Problem:
    """A sentence, the first of its kind. times: how often one of that kind was said. row: where
    that was on the screen, the last time."""

    text: str
    times: int = 0
    row: int = 0

    def __str__(self) -> str:
        return self.text if self.times == 1 else f"{self.text} ({self.times:,} times like that.)"


Problems = dict[str, Problem]
"""By kind."""


def add_problem(reports: Problems, text: str, row: int = 0) -> Problem:
    """Adds a sentence; returns the report of its kind."""
    found = reports.setdefault(_NUMBER.sub("#", text), Problem(text))
    found.times += 1
    found.row = row
    return found
