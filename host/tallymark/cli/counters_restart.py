"""`tallymark counters` and `tallymark restart`."""

from __future__ import annotations

from dataclasses import asdict

import click
from rich.table import Table

from tallymark.cli.common import box_option, json_option, opened, out, print_json
from tallymark.common.formatting import time_text

_MEANING = {
    "frames": "complete requests received",
    "frames_broken": "damaged requests received, dropped",
    "refused": "requests refused",
    "markers": "markers put out (steps of sequences not counted)",
    "input_bytes": "bytes on the byte input",
    "edges_lost": "captured edges lost, buffer full",
    "messages_lost": "messages that this computer did not read in time",
    "input_lost": "bytes lost on input",
}
_BAD = ("frames_broken", "edges_lost", "messages_lost", "input_lost")


@click.command()
@box_option
@json_option
def counters(where: str | None, as_json: bool) -> None:
    """Show the counters of the box: markers, refusals, losses."""
    with opened(where) as box:
        counted = asdict(box.counters())
    if as_json:
        print_json(counted)
        return
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(justify="right", no_wrap=True)
    table.add_column()
    table.add_row("time since start", time_text(counted["time_us"]), "")
    for name, meaning in _MEANING.items():
        bad = counted[name] and name in _BAD
        table.add_row(name, f"{counted[name]:,}", meaning, style="yellow" if bad else "")
    out().print(table)


@click.command()
@click.option("--boot-loader", is_flag=True, help="Start the boot loader, to load firmware.")
@box_option
@json_option
def restart(boot_loader: bool, where: str | None, as_json: bool) -> None:
    """Restart a box.

    Its lines go to idle, box time starts at 0, and settings that were not kept are lost.
    """
    with opened(where) as box:
        box.restart(boot_loader=boot_loader)
        firmware = box.identity.firmware
    if as_json:
        print_json({"boot_loader": boot_loader, "firmware": None if boot_loader else firmware})
    elif boot_loader:
        out().print("The box is in its boot loader, ready for firmware.")
    else:
        out().print(f"The box has started again (firmware {firmware}).")
