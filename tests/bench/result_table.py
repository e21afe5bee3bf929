"""A measured figure beside its baseline, and how figures are shown.

A bench is a module in this folder with a function `figures()`; `run.py` runs them all.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table


@dataclass(frozen=True)
class Figure:
    """What was measured, and the named baseline that was measured in the same run.

    reach: the goal in words, empty where there is none.
    """

    what: str
    value: float
    unit: str
    baseline: str
    baseline_value: float
    reach: str = ""

    @property
    def ratio(self) -> float | None:
        """Value by baseline value; None with a baseline of 0."""
        return self.value / self.baseline_value if self.baseline_value else None


def number(value: float) -> str:
    """With three digits that count, and thousands apart."""
    return f"{value:,.0f}" if abs(value) >= 100 or value == 0 else f"{value:.3g}"


def show(figures: Iterable[Figure]) -> None:
    """Prints figures as a table."""
    table = Table()
    table.add_column("what")
    for title in ("figure", "baseline", "ratio"):
        table.add_column(title, justify="right")
    table.add_column("baseline is")
    table.add_column("to reach")
    for each in figures:
        table.add_row(
            each.what,
            f"{number(each.value)} {each.unit}",
            f"{number(each.baseline_value)} {each.unit}",
            "" if each.ratio is None else number(each.ratio),
            each.baseline,
            each.reach,
        )
    Console(width=None if sys.stdout.isatty() else 140).print(table)
