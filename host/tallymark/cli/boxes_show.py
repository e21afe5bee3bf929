"""`tallymark boxes` and `tallymark show`: which boxes there are, and what one is like."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import click
from rich.table import Table

from tallymark.box.box import Box
from tallymark.box.flash import pico
from tallymark.box.ports.discovery import find_boxes
from tallymark.cli.common import (
    bits,
    box_option,
    json_option,
    note,
    opened,
    out,
    print_json,
    print_rows,
)
from tallymark.cli.settings import settings_dict, settings_rows
from tallymark.common.formatting import time_text

_SYNC_S = 0.5
"""How long the clocks are compared, so that the rate between them is known as well."""


@click.command()
@json_option
def boxes(as_json: bool) -> None:
    """List the boxes that are connected, and Picos that wait for firmware.

    Nothing is opened and no byte is sent: an unknown serial device may be anything.
    """
    found = find_boxes()
    waiting = pico.drives()
    if as_json:
        drives = [
            {"port": "", "description": "Pico in its boot loader", "drive": str(drive)}
            for drive in waiting
        ]
        print_json([*(asdict(box) for box in found), *drives])
        return
    for drive in waiting:
        out().print(
            f"A Pico is in its boot loader, with the drive {drive}: 'tallymark flash' makes it a "
            "box.", soft_wrap=True,
        )
    if not found and waiting:
        return
    if not found:
        note(
            "No known box is connected. A board with a general USB-serial chip is listed after it "
            "was opened once by its port (tallymark show --box PORT)."
        )
        return
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    headings = ["port", "byte port", "name", "serial number"]
    if not any(box.byte_port for box in found):
        headings.remove("byte port")
    for heading in headings:
        table.add_column(heading, no_wrap=True)
    table.add_column("USB device", overflow="fold")
    for box in found:
        serial = (box.serial or "-") + ("" if box.certain else " ?")
        byte_port = [box.byte_port or "-"] if "byte port" in headings else []
        table.add_row(box.port, *byte_port, box.name or "-", serial, box.description)
    out().print(table)
    if not all(box.certain for box in found):
        note("? A box was there when it was used last. Its USB chip has no serial number, so "
             "another device may be there now: it is opened only where its port is named "
             "(--box PORT).")


@click.command()
@box_option
@json_option
def show(where: str | None, as_json: bool) -> None:
    """Show a box: its identity, limits, lines, clock and settings."""
    with opened(where) as box:
        described = _describe(box)
    if as_json:
        print_json(described)
        return
    identity, levels = described["identity"], described["levels"]
    clock = described["clock"]
    longest_s = identity["longest_width_us"] / 1e6
    print_rows(
        [
            ("box", f"{identity['name'] or '(no name)'}, {identity['board']}"),
            ("serial number", identity["serial"]),
            ("port", described["port"]),
            ("firmware", f"{identity['firmware']}, protocol {identity['protocol']}"),
            ("last start", f"{identity['cause']}, {_ago(levels['time_us'])} ago"),
            ("pulse width", f"{time_text(identity['least_width_us'])} to {longest_s:,.0f} s"),
            ("sequence", f"up to {identity['steps']:,} steps"),
            ("capture", f"up to {identity['edges']:,} edges"),
            ("lines 7 to 0", f"{bits(levels['outputs'])} (1 is high)"),
            ("readback 7 to 0", bits(levels["readback"])),
            (
                "clock",
                f"box time known to ± {time_text(clock['bound_us'])} now, ± "
                f"{time_text(clock['bound_ahead_us'])} a second ahead; quickest round trip "
                f"{time_text(clock['round_trip_us'])}",
            ),
        ]
    )
    out().print()
    print_rows(settings_rows(described["settings"]))


def _describe(box: Box) -> dict[str, Any]:
    state = box.settings.state()
    levels = box.levels()
    box.sync_clock(over_s=_SYNC_S)
    box.sync_clock()
    now = box.pacing.now()
    identity = asdict(box.identity)
    identity["cause"] = box.identity.cause.label
    return {
        "port": box.port_name,
        "identity": identity,
        "levels": asdict(levels),
        "settings": settings_dict(state),
        "clock": {
            "round_trip_us": round(box.clock.round_trip_s * 1e6, 1),
            "bound_us": round(box.clock.to_box(now)[1], 1),
            "bound_ahead_us": round(box.clock.to_box(now + 1)[1], 1),
        },
    }


def _ago(microseconds: int) -> str:
    seconds = microseconds / 1e6
    for limit, unit, name in ((60, 1, "s"), (3600, 60, "min"), (172_800, 3600, "h")):
        if seconds < limit:
            return f"{seconds / unit:.1f} {name}"
    return f"{seconds / 86_400:.1f} days"
