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
from rich.text import Text

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.cli import common, exit_codes
from tallymark.cli.number_lists import lines_option


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("log", type=click.Path(path_type=Path), required=False)
@click.option("--channel", help="Status channel, stream, column with codes, or 'annotations'.")
@lines_option("Lines that carry markers")
@click.option("--first-bit", type=click.IntRange(0, 23), default=0, help="Bit that carries line 0.")
@click.option(
    "--active",
    type=click.Choice(["auto", "high", "low"]),
    default="auto",
    show_default=True,
    help="Level of an active line; auto: the one that the lines do not have at idle.",
)
@click.option(
    "--onset",
    type=click.Choice(["change", "rise"]),
    default="change",
    show_default=True,
    help="What begins an event: each change to a code, or only one that follows idle.",
)
@click.option(
    "--idle",
    type=click.IntRange(0, 255),
    metavar="CODE",
    help="Levels of the lines at idle as recorded, as a number: 0 if all are low. Default: found.",
)
@click.option(
    "--settling",
    type=click.IntRange(0, 1000),
    metavar="SAMPLES",
    help="Changes of the lines within that many samples are one. Default: found, at least 1.",
)
@click.option(
    "--values",
    type=click.Choice(["auto", "physical", "digital"]),
    default="auto",
    show_default=True,
    help="Which values of a status channel are the codes; auto: the physical ones if its "
    "calibration makes whole numbers.",
)
@click.option(
    "--type",
    "types",
    multiple=True,
    help="Type of marker to take from BrainVision files; may be given several times; 'all' takes "
    "all.  [default: Stimulus, Response]",
)
@click.option("--hex", "hexadecimal", is_flag=True, help="Codes in texts are hexadecimal.")
@click.option("--time-column", help="Column with times, for tables of events.")
@click.option("--rate", type=float, help="Sampling rate in Hz, for tables of events.")
@click.option("--tolerance", type=float, help="How far an event may be off, in ms.")
@click.option("--plan", "plan_file", type=click.Path(path_type=Path), help="Gives names to codes.")
@common.json_option
@click.option("--events", "events_file", type=click.Path(path_type=Path), help="Write events.tsv.")
@click.option("--report", "report_file", type=click.Path(path_type=Path), help="Write a report.")
def check(recording: Path, log: Path | None, **options: Any) -> None:
    """Check a recording against its marker log.

    RECORDING is an EDF, BDF, BrainVision or XDF file, events.tsv or another table in text. Without
    a LOG, it is compared with the plan, which can't tell which marker is missing.

    Exit codes: 0 every marker is there with its code, and nothing else; 1 something is missing,
    altered, merged or extra; 2 a file can't be read or used; 6 it can't be known which marker is
    which.
    """
    from tallymark.recording import bids, compare, summary

    plan = plans.load(options["plan_file"]) if options["plan_file"] else None
    if log is None:
        _check_plan(recording, plan, options)
        return
    data = markerlog.read(log)
    sent = _named(data, plan)
    events = _load(recording, options, data)
    tolerance = options["tolerance"]
    with common.progress("aligning"):
        result = compare(sent, events, None if tolerance is None else tolerance * 1e3)
    events.notes += data.notes()
    if options["events_file"]:
        bids.write_comparison(result, options["events_file"])
    if options["report_file"]:
        from tallymark.recording.report import write_report

        write_report(result, options["report_file"], data, plan)
    if options["as_json"]:
        click.echo(summary.as_json(result))
    else:
        _print(result)
        for key in ("events_file", "report_file"):
            if options[key]:
                click.echo(f"written: {options[key]}")
    if not result.certain:
        raise SystemExit(exit_codes.NOT_KNOWN)
    raise SystemExit(exit_codes.DONE if result.clean else exit_codes.NOT_GOOD)


def _check_plan(recording: Path, plan: plans.Plan | None, options: dict[str, Any]) -> None:
    from tallymark.recording.plan_comparison import compare_with_plan

    if plan is None:
        raise click.UsageError("Give the marker log, or a plan with --plan.")
    if options["events_file"] or options["report_file"]:
        raise click.UsageError("A report or events.tsv needs the marker log.")
    found = compare_with_plan(plan, _load(recording, options))
    if options["as_json"]:
        common.print_json(found.as_data())
    else:
        console = common.out()
        table = Table(box=None, pad_edge=False)
        for title, justify in (("event", "left"), ("code", "right"), ("planned", "right")):
            table.add_column(title, justify=justify)  # type: ignore[arg-type]
        table.add_column("recorded", justify="right")
        for name, code, planned, number in found.counts:
            table.add_row(
                name, str(code), "" if planned is None else str(planned), str(number)
            )
        console.print(table)
        for sentence in found.wrong:
            console.print(Text.assemble(("wrong ", "red"), sentence), soft_wrap=True)
        if not found.wrong:
            console.print(Text("Nothing contradicts the plan.", "green"))
        for sentence in found.remarks:
            console.print(Text(sentence, "dim"), soft_wrap=True)
    raise SystemExit(exit_codes.NOT_GOOD if found.wrong else exit_codes.DONE)


def _named(data: markerlog.LogData, plan: plans.Plan | None) -> Any:
    from tallymark.recording import columns

    if plan is not None:
        for marker in data.markers:
            marker.name = marker.name or plan.name_of(marker.code)
    return columns(data)


def _load(recording: Path, options: dict[str, Any], log: markerlog.LogData | None = None) -> Any:
    from tallymark.recording import Rule, design_of, load_events

    rule = Rule(
        options["mask"],
        options["first_bit"],
        options["active"],
        options["onset"],
        options["idle"],
        options["settling"],
    )
    with common.progress("reading the recording") as update:
        return load_events(
            recording,
            rule,
            options["channel"],
            options["rate"],
            lambda done, total: update("reading the recording", done, total),
            design=None if log is None else design_of(log),
            types=options["types"],
            values=options["values"],
            hexadecimal=options["hexadecimal"],
            time_column=options["time_column"],
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
