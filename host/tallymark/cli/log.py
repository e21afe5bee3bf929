"""`tallymark log`: keep a marker log of the byte input, look into a log, and export it.

Exit codes: 0 done; 2 the log can't be read or written; otherwise those of every command.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import click

from tallymark import markerlog
from tallymark.cli import common

_LOOK_S = 0.5


@click.group()
def log() -> None:
    """Keep a marker log, look into it and export it."""


@log.command("keep")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--for",
    "duration",
    type=common.time_option,
    metavar="TIME",
    help="How long: 500ms, 10s. Without it: until Ctrl-C.",
)
@common.box_option
def keep(file: Path, duration: int | None, where: str | None) -> None:
    """Keep a marker log of what comes in on the byte input.

    For experiment programs that can only write a byte to a serial port: the box reports each byte
    that it turned into a marker, and its time, and this command writes it to FILE.
    """
    with common.opened(where) as box, markerlog.MarkerLog.for_box(file, box):
        common.note("Logging. Ctrl-C ends it." if duration is None else "Logging.")
        end = None if duration is None else box.pacing.now() + duration / 1e6
        try:
            while end is None or box.pacing.now() < end:
                box.pacing.sleep(_LOOK_S if end is None else min(_LOOK_S, end - box.pacing.now()))
                box.levels()  # raises if the connection broke
        except KeyboardInterrupt:
            common.note("Ended by Ctrl-C.")
        box.log = None
    click.echo(f"{len(markerlog.read(file).markers)} markers written to {file}")


@log.command("show")
@click.argument("file", type=click.Path(path_type=Path))
def show(file: Path) -> None:
    """Say what the marker log FILE holds."""
    data = markerlog.read(file)
    fates = Counter(marker.fate for marker in data.markers)
    click.echo(f"{file}: started {data.header.get('start', 'at an unknown time')}")
    click.echo(f"box: {', '.join(f'{k} {v}' for k, v in data.header.get('box', {}).items() if v)}")
    click.echo(
        f"{len(data.markers)} markers: {fates['done']} confirmed, {fates['unconfirmed']} "
        f"unconfirmed, {fates['refused']} refused"
    )
    cut = sum(marker.cut_us is not None for marker in data.markers)
    late = sum(marker.delay_us is not None for marker in data.markers)
    if cut or late:
        click.echo(f"{cut} cut an earlier pulse short, {late} were delayed by the gap")
    for note in data.notes():
        click.echo(f"note: {note}")


@log.command("events")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("target", type=click.Path(path_type=Path))
def events(file: Path, target: Path) -> None:
    """Export the marker log FILE as BIDS events to TARGET (such as sub-01_task-ferry_events.tsv).

    A JSON sidecar is written beside it. Onsets count from the first confirmed marker.
    """
    from tallymark.recording import bids

    sidecar = bids.write_log(markerlog.read(file), target)
    click.echo(f"written: {target} and {sidecar}")
