"""`tallymark selftest`: is the box well, and is its wiring right?"""

from __future__ import annotations

import click

from tallymark.cli import exit_codes
from tallymark.cli.common import box_option, json_option, opened, out, print_json, progress
from tallymark.cli.shared_help_texts import WithFaults
from tallymark.verification.selftest import run
from tallymark.verification.selftest.report_view import draw


@click.command(cls=WithFaults)
@box_option
@json_option
def selftest(where: str | None, as_json: bool) -> None:
    """Test a box and its wiring; name faults and pins.

    Sends every code and reads it back; measures edges and widths. Connect the readback
    first (a loopback cable, or on the board). All lines move: unplug the amplifier, or record
    nothing meanwhile. A fault is named with the pins to look at; where two faults
    can't be distinguished, both are named. To try a fault from the list below, use a virtual
    box: --box 'virtual://?fault=open:3'.

    Exit code 0: fine. 1: faults were found. Takes about a second.
    """
    with opened(where, drives=True) as box, progress("Self-test") as update:
        report = run(box, update)
    if as_json:
        print_json(report.as_dict())
    else:
        out().print(draw(report))
    if not report.fine:
        raise SystemExit(exit_codes.NOT_GOOD)
