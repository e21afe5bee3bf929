"""Draws the comparison of a marker log with a plan on a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby, zip_longest
from operator import attrgetter
from pathlib import Path
from shlex import quote

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tallymark.common.formatting import clock, some
from tallymark.monitor.findings import LogComparison, LogFinding, Place

_PLACES = 2
_ALIKE = 3
"""Of one kind of finding, so many codes are listed one by one."""
_ROWS = 8
"""A table of more events leaves out those that are as planned."""

Row = tuple[str, int, int | None, int, int]


def draw(found: LogComparison) -> RenderableType:
    """The whole comparison, for `Console.print`. The verdict comes last, where the eye is."""
    return Group(*_parts(found, brief=False))


def draw_at_end(console: Console, found: LogComparison, log: Path | None, plan: Path) -> None:
    """The comparison at the end of a session: where a log was kept it is brief, and says how to
    see all of it."""
    console.print()
    console.print(Group(*_parts(found, brief=log is not None)))
    if log is not None:
        again = f"tallymark log compare {quote(str(log))} {quote(str(plan))}"
        console.print(Text(f"With all details: {again}", "dim"), soft_wrap=True)


def _parts(found: LogComparison, brief: bool) -> Iterator[RenderableType]:
    yield _events(found)
    for name in _as_planned(found):
        yield Text(f"  {name}", "dim")
    yield Text()
    for remark in found.remarks:
        yield Padding(Text(f"• {remark}", "dim"), (0, 0, 0, 2))
    if found.remarks:
        yield Text()
    for kind, alike in groupby(found.wrong, attrgetter("kind")):
        yield from _findings(kind, list(alike), brief)
    sent = sum(row[3] for row in found.counts)
    if found.clean:
        yield Text.assemble(
            ("✓ As planned. ", "bold green"),
            f"{some(sent, 'marker')}, and nothing contradicts the plan.",
        )
    else:
        yield Text()
        yield Text(f"✗ {some(len(found.wrong), 'problem')} found.", "bold red")


def _is_good(row: Row) -> bool:
    _, _, planned, sent, out = row
    return out == sent and (sent == planned or (planned is None and sent > 0))


def _as_planned(found: LogComparison) -> list[str]:
    """What is said of events that the table leaves out."""
    good = sum(map(_is_good, found.counts))
    if len(found.counts) <= _ROWS or not good:
        return []
    return [f"and {some(good, 'event')} as planned"]


def _events(found: LogComparison) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("")
    table.add_column("event", overflow="fold")
    for title in ("code", "planned", "sent", "went out"):
        table.add_column(title, justify="right")
    brief = bool(_as_planned(found))
    for row in found.counts:
        if brief and _is_good(row):
            continue
        name, code, planned, sent, out = row
        good = sent == planned or (planned is None and sent > 0)
        table.add_row(
            Text("✓", "green") if _is_good(row) else Text("✗", "bold red"),
            name,
            str(code),
            "1 or more" if planned is None else f"{planned:,}",
            Text(f"{sent:,}", "" if good else "red"),
            Text(f"{out:,}", "" if out == sent else "red"),
        )
    return table


def _findings(kind: str, alike: list[LogFinding], brief: bool) -> Iterator[RenderableType]:
    """Findings of one kind. What is the same for several of them is said once, after the last."""
    most = 1 if brief and kind != "reported" else _ALIKE
    most_places = 1 if brief else _PLACES
    shown = alike[:most]
    for finding, after in zip_longest(shown, shown[1:]):
        yield Padding(Text.assemble(("• ", "red"), (finding.text, "bold")), (0, 0, 0, 2))
        for number, place in enumerate(finding.places[:most_places], 1):
            more = finding.count - number if number == most_places else 0
            yield Padding(_place(place, more), (0, 0, 0, 4))
        if after is None and len(alike) > most:
            rest = f"• and {len(alike) - most} more: {kind}."
            yield Padding(Text(rest, "bold"), (0, 0, 0, 2))
        titles = {"meaning": "Effect on the recording", "remedy": "What to do"}
        for part, title in titles.items():
            if brief and part == "meaning":
                continue
            text = getattr(finding, part)
            if text and (after is None or getattr(after, part) != text):
                yield Padding(Text.assemble((f"{title}: ", "cyan"), text), (0, 0, 0, 4))


def _place(place: Place, more: int) -> Text:
    when = "time not known" if place.time_s is None else clock(place.time_s)
    and_more = f", and {more:,} more" if more else ""
    return Text(f"{when}  code {place.code}  {place.note}{and_more}", "dim")
