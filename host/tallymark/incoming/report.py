"""Draws the comparison of a marker log with a plan on a terminal."""

from __future__ import annotations

from rich.console import Group, RenderableType

from tallymark.incoming.against_plan import LogComparison


def draw(found: LogComparison) -> RenderableType:
    """The whole comparison, for `Console.print`; what is wrong comes last."""
    return Group()
