"""`tallymark check`: is every marker of the log in the recording, rightly?

Exit codes: 0 every marker is there with its code, and nothing else; 1 something is missing,
altered, merged or extra; 2 a file can't be read or used; 6 it can't be known which marker is which.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.cli import common, exits


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("log", type=click.Path(path_type=Path))
@click.option("--channel", help="Status channel, column with codes, or 'annotations'.")
@click.option("--lines", "mask", type=click.IntRange(1, 255), default=255, help="Mask of lines.")
@click.option("--first-bit", type=click.IntRange(0, 23), default=0, help="Bit that carries line 0.")
@click.option("--active", type=click.Choice(["auto", "high", "low"]), default="auto")
@click.option("--onset", type=click.Choice(["change", "rise"]), default="change")
@click.option("--rate", type=float, help="Sampling rate in Hz, for tables of events.")
@click.option("--tolerance", type=float, help="How far an event may be off, in ms.")
@click.option("--plan", "plan_file", type=click.Path(path_type=Path), help="Gives names to codes.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--events", "events_file", type=click.Path(path_type=Path), help="Write events.tsv.")
@click.option("--report", "report_file", type=click.Path(path_type=Path), help="Write a report.")
def check(recording: Path, log: Path, **options: Any) -> None:
    """Check the RECORDING (EDF, BDF, BrainVision, events.tsv or text) against the marker LOG.

    Exit codes: 0 every marker is there with its code, and nothing else; 1 something is missing,
    altered, merged or extra; 2 a file can't be read or used; 6 it can't be known which marker is
    which.
    """
    from tallymark.recording import bids, compare, summary

    plan = plans.load(options["plan_file"]) if options["plan_file"] else None
    data = markerlog.read(log)
    sent = _named(data, plan)
    events = _load(recording, options)
    tolerance = options["tolerance"]
    result = compare(sent, events, None if tolerance is None else tolerance * 1e3)
    events.notes += data.notes()
    if options["events_file"]:
        bids.write_comparison(result, options["events_file"])
    if options["report_file"]:
        from tallymark.report import write_report

        write_report(result, options["report_file"], data, plan)
    if options["as_json"]:
        click.echo(summary.as_json(result))
    else:
        _print(result)
        for key in ("events_file", "report_file"):
            if options[key]:
                click.echo(f"written: {options[key]}")
    if not result.certain:
        raise SystemExit(exits.NOT_KNOWN)
    raise SystemExit(exits.DONE if result.clean else exits.NOT_GOOD)


def _named(data: markerlog.LogData, plan: plans.Plan | None) -> Any:
    from tallymark.recording import columns

    if plan is not None:
        for marker in data.markers:
            marker.name = marker.name or plan.name_of(marker.code)
    return columns(data)


def _load(recording: Path, options: dict[str, Any]) -> Any:
    from tallymark.recording import Rule, load_events

    rule = Rule(options["mask"], options["first_bit"], options["active"], options["onset"])
    with common.progress("reading the recording") as update:
        return load_events(
            recording,
            rule,
            options["channel"],
            options["rate"],
            lambda done, total: update("reading the recording", done, total),
        )


def _print(result: Any) -> None:
    from tallymark.recording import FATES, summary

    console = Console(highlight=False, soft_wrap=True)
    colour = "green" if result.clean else "yellow" if not result.certain else "red"
    console.print(f"[bold {colour}]{escape(summary.headline(result))}[/]")
    console.print()
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(justify="right")
    table.add_column()
    for number, name in enumerate(FATES):
        if result.count(number) or name == "arrived":
            table.add_row(str(result.count(number)), name)
    table.add_row(str(len(result.extra)), "extra")
    console.print(table)
    console.print()
    for sentence in summary.sentences(result)[1:]:
        console.print(escape(sentence))
    problems = summary.problems(result)
    if problems and result.certain:
        console.print("\n[bold]Worst cases[/] (time in the recording)")
        for problem in problems:
            console.print("  " + escape(problem))
