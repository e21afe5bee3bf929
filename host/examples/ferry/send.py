"""Sends the markers of a session through a box, reads them back and compares.

    python send.py markers.csv                       on the virtual box, in no real time
    python send.py markers.csv --box /dev/ttyACM0    on a real box with a loopback, in real time

Exit code 0: every marker was confirmed and read back as it was sent; 1: something was not.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from rich.console import Console
from rich.progress import track
from rich.table import Table

from tallymark import Box, Marker, Outcome, TallymarkError
from tallymark.picture import draw_lines
from tallymark.values import Edge
from tallymark.vcd import write_vcd

VIRTUAL = "virtual://?time=stepped"
PICTURE_US = 8_000_000
"""How much of the session the picture shows."""


@dataclass(frozen=True)
class Event:
    """One line of the list."""

    onset_s: float
    name: str
    code: int
    width_us: int


@dataclass
class Kind:
    """What became of all events of one name."""

    code: int
    sent: int = 0
    confirmed: int = 0
    read_back: int = 0
    altered_to: set[int] = field(default_factory=set)
    widths_us: list[int] = field(default_factory=list)
    late_us: list[float] = field(default_factory=list)


def read_list(path: Path) -> list[Event]:
    """The events of a marker list, in the order of their onsets."""
    with path.open(encoding="utf-8", newline="") as file:
        events = [
            Event(
                float(row["onset_s"]), row["event"], int(row["code"]), 1000 * int(row["width_ms"])
            )
            for row in csv.DictReader(file)
        ]
    return sorted(events, key=lambda event: event.onset_s)


def send(box: Box, events: Sequence[Event], console: Console) -> tuple[list[Marker], list[Edge]]:
    """Sends each event when it is due; returns the markers and what the readback saw."""
    pacing = box.pacing
    with box.capture(send=True) as capture:
        start_s = pacing.now()
        markers = []
        for event in track(events, "sending", console=console, transient=True):
            pacing.sleep(max(0.0, start_s + event.onset_s - pacing.now()))
            markers.append(box.pulse(event.code, event.width_us))
        box.wait()
        pacing.sleep(max(event.width_us for event in events) * 1e-6 + 0.01)
    edges = capture.fetch()
    if capture.lost:
        console.print(f"[red]{capture.lost} changes of the readback were lost.[/red]")
    return markers, edges


def compare(
    events: Sequence[Event], markers: Sequence[Marker], edges: Sequence[Edge]
) -> tuple[dict[str, Kind], int]:
    """What became of the events, by name; and how many pulses were read back that nobody sent."""
    seen = {
        edge.time_us: (edge.levels, following.time_us - edge.time_us)
        for edge, following in pairwise(edges)
        if edge.levels
    }
    first_us = next((m.box_time_us for m in markers if m.box_time_us is not None), 0)
    kinds: dict[str, Kind] = {}
    for event, marker in zip(events, markers, strict=True):
        kind = kinds.setdefault(event.name, Kind(event.code))
        kind.sent += 1
        if marker.outcome is not Outcome.DONE or marker.box_time_us is None:
            continue
        kind.confirmed += 1
        due_us = (event.onset_s - events[0].onset_s) * 1e6
        kind.late_us.append(marker.box_time_us - first_us - due_us)
        # the readback sees an edge some cycles after the box made it
        for shift_us in range(3):
            levels, width_us = seen.pop(marker.box_time_us + shift_us, (0, 0))
            if levels == event.code:
                kind.read_back += 1
                kind.widths_us.append(width_us)
            elif levels:
                kind.altered_to.add(levels)
    return kinds, len(seen)


def show(kinds: dict[str, Kind], unasked: int, console: Console) -> bool:
    """Prints the table; returns whether everything arrived as it was sent."""
    table = Table(title="Ferry: what was sent, and what the lines did", title_justify="left")
    table.add_column("event")
    for title in ("code", "sent", "confirmed", "read back", "altered to", "width, ms", "late, µs"):
        table.add_column(title, justify="right")
    for name, kind in sorted(kinds.items(), key=lambda item: item[1].code):
        widths = sorted({f"{width / 1000:g}" for width in kind.widths_us})
        late = max(kind.late_us, default=0.0)
        fine = kind.sent == kind.confirmed == kind.read_back
        table.add_row(
            name,
            str(kind.code),
            str(kind.sent),
            str(kind.confirmed),
            str(kind.read_back),
            ", ".join(map(str, sorted(kind.altered_to))),
            " to ".join(widths[:: max(1, len(widths) - 1)]),
            f"{late:.0f}",
            style="" if fine else "bold red",
        )
    console.print(table)
    sent = sum(kind.sent for kind in kinds.values())
    back = sum(kind.read_back for kind in kinds.values())
    good = sent == back and unasked == 0
    console.print(
        f"[{'green' if good else 'bold red'}]{back} of {sent} markers were confirmed and read back "
        f"as they were sent; {unasked} came that nobody sent.[/]"
    )
    return good


def main() -> int:
    """Runs the session."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("list", type=Path, help="marker list: onset_s,event,code,width_ms")
    parser.add_argument("--box", default=VIRTUAL, help="port, serial number, name or URL of a box")
    parser.add_argument("--out", type=Path, default=Path("build/demo"), help="folder for the files")
    options = parser.parse_args()
    console = Console(width=None if sys.stdout.isatty() else 100)

    events = read_list(options.list)
    try:
        with Box.open(options.box) as box:
            identity = box.identity
            console.print(
                f"{len(events)} markers from {options.list}, {events[-1].onset_s / 60:.1f} min, "
                f"through the {identity.board} box {identity.serial}"
            )
            markers, edges = send(box, events, console)
    except TallymarkError as error:
        console.print(f"[bold red]{error}[/]")
        return 3
    good = show(*compare(events, markers, edges), console)

    options.out.mkdir(parents=True, exist_ok=True)
    changes = [(edge.time_us, edge.levels) for edge in edges]
    vcd, picture = options.out / "ferry.vcd", options.out / "ferry.png"
    with vcd.open("w", encoding="ascii") as file:
        end_us = changes[-1][0] + 1_000_000
        write_vcd(file, changes, end_us, comment=f"Ferry through box {identity.serial}.")
    start_us = next(edge.time_us for edge in edges if edge.levels) - 200_000
    draw_lines(
        changes,
        picture,
        start_us=start_us,
        end_us=start_us + PICTURE_US,
        title="Ferry: the eight lines during the first trials",
    )
    console.print(f"The eight lines over time: {vcd} (for any VCD viewer), {picture}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
