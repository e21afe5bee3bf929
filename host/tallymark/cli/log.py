"""`tallymark log`: look into a marker log and export it.

Exit codes: 0 done; 2 the log can't be read or the result can't be written.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import click

from tallymark import markerlog


@click.group()
def log() -> None:
    """Look into a marker log and export it."""


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
