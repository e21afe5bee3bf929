"""Sends the markers of a session through a box, reads them back and compares.

    python host/examples/ferry/send.py                       on the virtual box, in no real time
    python host/examples/ferry/send.py --box /dev/ttyACM0    on a real box with a loopback

Exit code 0: every marker was confirmed and read back as it was sent; 1: something was not; 3: no
box, or the connection broke.
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
from tallymark import plan as plans
from tallymark.box.wire.answer_values import Edge
from tallymark.common.lines.plot import draw_lines
from tallymark.common.lines.vcd_writer import write_vcd
from tallymark.markerlog import MarkerLog

HERE = Path(__file__).parent
VIRTUAL = "virtual://?time=stepped"
PICTURE_US = 8_000_000
"""How much of the session the picture shows."""


@dataclass(frozen=True)
class Due:
    """One line of the list: an event of the plan, and when it happens."""

    onset_s: float
    event: plans.Event


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


def read_list(path: Path, plan: plans.Plan) -> list[Due]:
    """The events of a marker list, in the order of their onsets."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    dues = [Due(float(row["onset_s"]), plan.event(row["event"])) for row in rows]
    return sorted(dues, key=lambda due: due.onset_s)


def send(box: Box, dues: Sequence[Due], console: Console) -> tuple[list[Marker], list[Edge]]:
    """Sends each event when it is due; returns the markers and what the readback saw."""
    pacing = box.pacing
    with box.capture(send=True) as capture:
        start_s = pacing.now()
        markers = []
        for due in track(dues, "sending", console=console, transient=True):
            pacing.sleep(max(0.0, start_s + due.onset_s - pacing.now()))
            event = due.event
            markers.append(box.pulse(event.code, event.width_us, name=event.name))
        box.wait()
        pacing.sleep(max(due.event.width_us for due in dues) * 1e-6 + 0.01)
    edges = capture.fetch()
    if capture.lost:
        console.print(f"[red]{capture.lost} changes of the readback were lost.[/red]")
    return markers, edges


def compare(
    dues: Sequence[Due], markers: Sequence[Marker], edges: Sequence[Edge]
) -> tuple[dict[str, Kind], int]:
    """What became of the events, by name; and how many pulses were read back that nobody sent."""
    seen = {
        edge.time_us: (edge.levels, following.time_us - edge.time_us)
        for edge, following in pairwise(edges)
        if edge.levels
    }
    first_us = next((m.box_time_us for m in markers if m.box_time_us is not None), 0)
    kinds: dict[str, Kind] = {}
    for due, marker in zip(dues, markers, strict=True):
        event = due.event
        kind = kinds.setdefault(event.name, Kind(event.code))
        kind.sent += 1
        if marker.outcome is not Outcome.DONE or marker.box_time_us is None:
            continue
        kind.confirmed += 1
        due_us = (due.onset_s - dues[0].onset_s) * 1e6
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


def draw(changes: list[tuple[int, int]], out: Path, console: Console) -> None:
    """Writes what the lines did as a VCD file, and the first seconds as a picture."""
    vcd, picture = out / "ferry.vcd", out / "ferry.png"
    with vcd.open("w", encoding="ascii") as file:
        write_vcd(file, changes, end_us=changes[-1][0] + 1_000_000, comment="Ferry.")
    start_us = next(time for time, levels in changes if levels) - 200_000
    draw_lines(
        changes,
        picture,
        start_us=start_us,
        end_us=start_us + PICTURE_US,
        title="Ferry: the eight lines during the first trials",
    )
    console.print(f"The eight lines over time: {vcd} (for any VCD viewer), {picture}")


def session(where: str, plan: plans.Plan, out: Path, console: Console) -> tuple[bool, list[Edge]]:
    """Sends the whole list; returns whether all went well, and what the readback saw.

    The marker log goes to `markers.jsonl` in the folder `out`, beside the VCD file and the picture.
    Raises TallymarkError.
    """
    dues = read_list(HERE / "event_onsets.csv", plan)
    out.mkdir(parents=True, exist_ok=True)
    log_path = out / "markers.jsonl"
    log_path.unlink(missing_ok=True)
    with Box.open(where) as box, MarkerLog.for_box(log_path, box, plan):
        identity = box.identity
        console.print(
            f"{len(dues)} markers, {dues[-1].onset_s / 60:.1f} min, through the {identity.board} "
            f"box {identity.serial}"
        )
        markers, edges = send(box, dues, console)
    good = show(*compare(dues, markers, edges), console)
    draw([(edge.time_us, edge.levels) for edge in edges], out, console)
    return good, edges


def make_console() -> Console:
    """A console that is wide enough for the table when nobody looks at it."""
    return Console(width=None if sys.stdout.isatty() else 100)


def main() -> int:
    """Runs the session."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--box", default=VIRTUAL, help="port, serial number, name or URL of a box")
    parser.add_argument("--out", type=Path, default=Path("build/demo"), help="folder for the files")
    options = parser.parse_args()
    console = make_console()
    try:
        good, _ = session(options.box, plans.load(HERE / "plan.toml"), options.out, console)
    except TallymarkError as error:
        console.print(f"[bold red]{error}[/]")
        return 3
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
