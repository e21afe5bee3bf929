"""`tallymark plan`: make a plan, check it before the session, and propose codes.

Exit codes: 0 nothing wrong (risks and notes may be printed); 1 something would go wrong, or no such
codes exist; 2 the plan can't be read.
"""

from __future__ import annotations

import json
import shlex
from dataclasses import asdict
from pathlib import Path

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from tallymark import plan as plans
from tallymark.cli.common import json_option, opened, out, print_json
from tallymark.cli.number_lists import lines_option, listed
from tallymark.cli.plan_new import new
from tallymark.cli.safe_console import safe
from tallymark.common.errors import BadValue
from tallymark.common.formatting import time_text
from tallymark.common.lines.distant_code_sets import propose
from tallymark.plan.findings import Finding
from tallymark.plan.keys import KEYS

_SMALL_PLAN = """
A whole plan (TOML; each event begins with [[event]]):

  [session]
  width_us = 5000

  [[event]]
  name = "horn"
  code = 36
"""
_COLOURS = {"wrong": "bold red", "risk": "yellow", "note": "cyan"}


@click.group()
def plan() -> None:
    """Make the plan of a session, and check it before the recording.

    A plan is a TOML file that names the events of a session, with their codes and widths, and says
    what the receiver needs. 'tallymark plan keys' lists all keys.
    """


plan.add_command(new)


@plan.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--box",
    "where",
    metavar="BOX",
    help="Also compare the plan with the settings of this box, and print the command that sets "
         "them. BOX as in 'tallymark show --help'.",
)
@json_option
def check_plan(file: Path, where: str | None, as_json: bool) -> None:
    """Report problems of the plan FILE.

    'tallymark plan keys' lists all keys.

    Exit codes: 0 no problem; 1 problems found; 2 the file can't be read.
    """
    console = safe(Console(highlight=False, soft_wrap=True))
    loaded = plans.load(file)
    findings = plans.check(loaded)
    change: str | None = None
    misfits: list[Finding] = []
    remaining: list[Finding] = []  # also after the command
    if where is not None:
        with opened(where) as box:
            settings, identity = box.settings.read(), box.identity
        misfits = plans.fit(loaded, settings, identity)
        findings = plans.worst_first(findings + misfits)
        change = plans.settings_line(loaded, settings, shlex.quote(where))
        remaining = plans.fit(loaded, plans.needed_settings(loaded, settings), identity)
    wrong = len(_wrong(findings))
    if as_json:
        data = {
            "plan": loaded.name,
            "digest": loaded.digest,
            "wrong": wrong,
            "findings": [asdict(finding) for finding in findings],
        }
        if where is not None:
            data["change"] = change
        click.echo(json.dumps(data, indent=1))
        raise SystemExit(1 if wrong else 0)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading, justify in (("event", "left"), ("code", "right"), ("lines", "left")):
        table.add_column(heading, justify=justify)  # type: ignore[arg-type]
    table.add_column("width", justify="right")
    table.add_column("samples", justify="right")
    sample = loaded.receiver.sample_us
    for event in loaded.events:
        lines = " ".join(str(n) if event.code >> n & 1 else "·" for n in range(8))
        samples = "" if sample is None else f"{event.width_us / sample:.1f}"
        name = escape(event.name)
        table.add_row(name, str(event.code), lines, time_text(event.width_us), samples)
    if loaded.events:
        console.print(table)
        console.print()
    for finding in findings:
        colour = _COLOURS[finding.level]
        console.print(f"[{colour}]{finding.level:5}[/] {escape(finding.text)}")
        console.print(f"      {escape(finding.remedy)}", style="dim")
    if not findings:
        console.print(f"[green]Nothing wrong:[/] {len(loaded.events)} events fit the receiver.")
    elif not wrong:
        console.print("[green]Nothing wrong;[/] see the remarks above.")
    if change is not None:
        console.print("\nTo set up the box for the plan:")
        console.print(f"    {escape(change)}")
        if _wrong(remaining):
            console.print("[bold red]The box still does not fit the plan then:[/]")
            for finding in _wrong(remaining):
                console.print(f"      {escape(finding.text)}")
                console.print(f"      {escape(finding.remedy)}", style="dim")
    elif where is not None:
        if _wrong(misfits):
            console.print("[bold red]The box does not fit the plan:[/] see 'wrong' above.")
        else:
            console.print("The settings of the box fit the plan.")
    raise SystemExit(1 if wrong else 0)


def _wrong(findings: list[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.level == "wrong"]


@plan.command("keys")
@json_option
def list_keys(as_json: bool) -> None:
    """List all keys of a plan file, with units and ranges."""
    if as_json:
        print_json([asdict(key) for key in KEYS])
        return
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("key", no_wrap=True)  # it has to be typed
    for heading in ("values", "without it", "meaning"):
        table.add_column(heading)
    section = ""
    for key in KEYS:
        if key.section != section:
            section = key.section
            table.add_row("top of the file" if section == "(top)" else section, style="bold")
        table.add_row(f"  {key.name}", key.values, key.default, key.meaning)
    out().print(table)
    out().print(
        "\nA time is a whole number of microseconds, or a text with its unit: width_us = \"5ms\"."
    )
    out().print(_SMALL_PLAN)


@plan.command("codes")
@click.option("--count", type=click.IntRange(1, 255), required=True, help="Number of codes.")
@click.option(
    "--distance",
    "least",
    type=click.IntRange(1, 8),
    default=2,
    show_default=True,
    help="Least number of lines in which two codes differ, code 0 included.",
)
@lines_option("Lines in use")
@click.option("--reserved", default="", help="Codes to exclude, such as 127,255.")
@click.option("--keep", default="", help="Codes already in use, to be included.")
@json_option
def propose_codes(
    count: int, least: int, lines: int, reserved: str, keep: str, as_json: bool
) -> None:
    """Propose codes that differ in several lines, or report that none exist.

    Exit codes: 0 found; 1 none exist or none were found; 2 a value can't be used.
    """
    try:
        found = propose(count, least, lines, listed(reserved, 255), listed(keep, 255))
    except ValueError as error:
        raise BadValue(f"{error}.") from error
    if as_json:
        click.echo(json.dumps(asdict(found)))
    elif found.codes:
        click.echo(" ".join(map(str, found.codes)))
    elif found.proven:
        click.echo(
            f"No {count} codes on these lines keep {least} lines apart; at most {found.most} do "
            "without codes reserved or kept. Use more lines, fewer codes or a smaller distance."
        )
    else:
        click.echo(f"No {count} codes were found; it isn't proven that there are none.")
    raise SystemExit(0 if found.codes else 1)
