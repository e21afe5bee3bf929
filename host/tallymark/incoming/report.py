"""Draws the comparison of a marker log with a plan on a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby, zip_longest
from operator import attrgetter

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tallymark.incoming.finding import LogComparison, LogFinding, Place
from tallymark.wording import clock

_PLACES = 3
_ALIKE = 5
"""Of one kind of finding, so many codes are told one by one."""


def draw(found: LogComparison) -> RenderableType:
    """The whole comparison, for `Console.print`. What is wrong comes last, where the eye is."""
    return Group(*_parts(found))


def _parts(found: LogComparison) -> Iterator[RenderableType]:
    yield _events(found)
    yield Text()
    for remark in found.remarks:
        yield Padding(Text(f"• {remark}", "dim"), (0, 0, 0, 2))
    if found.remarks:
        yield Text()
    if found.clean:
        sent = sum(row[3] for row in found.counts)
        yield Text.assemble(
            ("✓ As planned. ", "bold green"), f"{sent:,} markers, and nothing contradicts the plan."
        )
        return
    number = len(found.wrong)
    yield Text(f"✗ {number} thing{'' if number == 1 else 's'} to look at.", "bold red")
    for kind, alike in groupby(found.wrong, attrgetter("kind")):
        yield from _findings(kind, list(alike))


def _events(found: LogComparison) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("")
    table.add_column("event", overflow="fold")
    for title in ("code", "planned", "sent", "went out"):
        table.add_column(title, justify="right")
    for name, code, planned, sent, out in found.counts:
        good = sent == planned or (planned is None and sent > 0)
        table.add_row(
            Text("✓", "green") if good and out == sent else Text("✗", "bold red"),
            name,
            str(code),
            "any" if planned is None else f"{planned:,}",
            Text(f"{sent:,}", "" if good else "red"),
            Text(f"{out:,}", "" if out == sent else "red"),
        )
    return table


def _findings(kind: str, alike: list[LogFinding]) -> Iterator[RenderableType]:
    """Findings of one kind. What is the same for several of them is said once, after the last."""
    shown = alike[:_ALIKE]
    for finding, after in zip_longest(shown, shown[1:]):
        yield Padding(Text.assemble(("• ", "red"), (finding.text, "bold")), (0, 0, 0, 2))
        for place in finding.places[:_PLACES]:
            yield Padding(_place(place), (0, 0, 0, 4))
        if finding.places and finding.count > _PLACES:
            yield Padding(Text(f"and {finding.count - _PLACES:,} more", "dim"), (0, 0, 0, 4))
        if after is None and len(alike) > _ALIKE:
            rest = f"• and {len(alike) - _ALIKE} more codes: {kind}. They are all in --json."
            yield Padding(Text(rest, "bold"), (0, 0, 0, 2))
        for title, part in (("In the recording", "meaning"), ("What to do", "remedy")):
            text = getattr(finding, part)
            if text and (after is None or getattr(after, part) != text):
                yield Padding(Text.assemble((f"{title}: ", "cyan"), text), (0, 0, 0, 4))


def _place(place: Place) -> Text:
    when = "time not known" if place.time_s is None else clock(place.time_s)
    return Text(f"{when}  code {place.code}  {place.note}", "dim")
