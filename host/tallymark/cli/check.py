"""`tallymark check`: is every marker of the log in the recording, rightly?

What may come out, and when all is well, is told by `tallymark.recording.overall_outcome`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.cli import common, exit_codes
from tallymark.cli.bids_stimulus_option import stimulus_option, stimulus_presentation
from tallymark.cli.number_lists import lines_option
from tallymark.cli.output_files import check_free, replace_option
from tallymark.cli.safe_console import safe
from tallymark.common.errors import BadValue, TallymarkError

if TYPE_CHECKING:
    from tallymark.markerlog.delay import Delays
    from tallymark.recording import Comparison, Expectation, RecordedEvents
    from tallymark.recording.stated_expectations import Level


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
    "--event-start",
    type=click.Choice(["every-code", "after-idle"]),
    default="every-code",
    show_default=True,
    help="What begins an event: every new code, or only one that follows idle.",
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
@click.option("--tolerance", type=common.time_option, metavar="TIME",
              help="How far an event may be off: 500us, 5ms. Default: found.")
@click.option("--plan", "plan_file", type=click.Path(path_type=Path), help="Gives names to codes.")
@click.option(
    "--part",
    is_flag=True,
    help="The recording is a part of the session: markers that "
    "were sent while it did not run are not asked for.",
)
@click.option(
    "--from",
    "first",
    type=click.IntRange(0),
    metavar="NUMBER",
    help="Number of the first marker that the recording should hold.",
)
@click.option(
    "--to",
    "last",
    type=click.IntRange(0),
    metavar="NUMBER",
    help="Number of the last marker that the recording should hold.",
)
@click.option(
    "--same-session",
    is_flag=True,
    help="You know that log and recording are of one "
    "session, even if the recording would fit others as well.",
)
@common.json_option
@click.option("--events", "events_file", type=click.Path(path_type=Path), help="Write events.tsv.")
@stimulus_option
@click.option("--report", "report_file", type=click.Path(path_type=Path), metavar="FILE",
              help="Write a report for the lab notebook: .html or .pdf.")
@click.option("--participant", default="", help="For the report: a code of the participant.")
@click.option("--session", default="", help="For the report: which session it was.")
@click.option("--experimenter", default="", help="For the report: who recorded it.")
@click.option("--amplifier", default="", help="For the report: which amplifier it was.")
@replace_option
def check(recording: Path, log: Path | None, **options: Any) -> None:
    """Check a recording against its marker log.

    RECORDING is an EDF, BDF, BrainVision or XDF file, events.tsv or another table in text. Without
    a LOG, it is compared with the plan, which can't tell which marker is missing.

    All is well, with exit code 0, only if every marker of the log is in the recording with its
    code, at the level that plan, log or options say, no samples are missing, nothing else was
    recorded, and all of that can be known. Of several things that are wrong, the worst gives the
    exit code, in this order:

    \b
    10  another session: the recording is not of the log's session
     6  not known: which marker is which
    11  session not told, but codes are altered: it may be another session
    12  markers missing
    13  wrong codes, or faults of the lines
    14  wrong level: all lines are inverted
    15  samples missing in the recording
    16  file incomplete: cut off or damaged
    17  extra events, which nobody sent
    20  samples not known: it can't be known whether samples are missing
    18  partly known: of some markers it can't be known
    19  part recorded: the recording did not run all the time
    11  session not told: all markers fit, but they would fit other sessions too
     0  all arrived

    Against a plan alone: 0 nothing contradicts it, 1 something does. 2: a file can't be used.
    """
    from tallymark.recording import AnotherSession, compare, overall_outcome, summary

    _look_at_names(recording, log, options)
    plan = plans.load(options["plan_file"]) if options["plan_file"] else None
    if log is None:
        _check_plan(recording, plan, options)
        return
    with common.progress("reading the marker log"):
        data = markerlog.read(log)
        sent = _named(data, plan)
    expectation = _expectation(data, plan, options)
    expectation.asked(sent.number, sent.test)  # says at once if --from or --to names no marker
    events = _load(recording, options, data, expectation.idle)
    events.notes += data.notes()
    tolerance = options["tolerance"]
    with common.progress("aligning") as update:
        try:
            result = compare(
                sent,
                events,
                tolerance,
                lambda share: update("aligning", share, 1.0),
                expectation,
            )
        except AnotherSession as error:
            result = error.result
    written, problems = [], []
    with common.progress("writing"):
        for path, write in _outputs(result, options, data, plan):
            try:
                write(path)
                written.append(path)
            except TallymarkError as error:
                problems.append(error)
    from tallymark.markerlog.delay import measured_by_plan

    delays = measured_by_plan(data, plan)
    if options["as_json"]:
        common.print_json(summary.as_data(result) | _delays_as_data(delays))
    else:
        _print(result, delays)
        for path in written:
            click.echo(f"written: {path}")
    code = exit_codes.CHECK[overall_outcome.outcome(result).name]
    for problem in problems:
        common.err().print(Text.assemble(("Error: ", "bold red"), str(problem)))
        code = code or exit_codes.code_of(problem)
    raise SystemExit(code)


def _look_at_names(recording: Path, log: Path | None, options: dict[str, Any]) -> None:
    """Says before the work what can't become a result."""
    if markerlog.begins_as_log(recording):
        raise BadValue(
            f"{recording} is a marker log. The recording comes first: tallymark check "
            f"{log or 'RECORDING'} {recording}"
        )
    if log is not None and log.suffix.lower() == ".toml":
        raise BadValue(
            f"{log} is a plan by its name, and the marker log comes second: tallymark check "
            f"{recording} LOG --plan {log}"
        )
    report, events = options["report_file"], options["events_file"]
    sidecar = None if events is None else events.with_suffix(".json")
    inputs = (recording, log, options["plan_file"], options["stimulus_file"])
    if options["stimulus_file"] and events is None:
        raise click.UsageError("--stimulus belongs to the sidecar that --events writes.")
    stimulus_presentation(options["stimulus_file"])  # before the work
    check_free(report, events, sidecar, replace=options["replace"], inputs=inputs)
    if report is None:
        return
    if report.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise BadValue(
            f"A report is a page in HTML or a PDF, not '{report.suffix}'. Name it "
            f"{report.with_suffix('.html')} or {report.with_suffix('.pdf')}."
        )
    if report.suffix.lower() == ".pdf":
        from tallymark.recording.report.pdf import check_installed

        check_installed()


def _outputs(
    result: Any, options: dict[str, Any], log: markerlog.LogData, plan: plans.Plan | None
) -> Iterator[tuple[Path, Callable[[Path], object]]]:
    """The files that were asked for, and what writes each."""
    if options["events_file"]:
        from tallymark.markerlog.delay import measured_by_plan
        from tallymark.recording import bids

        yield options["events_file"], lambda path: bids.write_comparison(
            result, path, options["replace"], measured_by_plan(log, plan),
            stimulus_presentation(options["stimulus_file"]),
        )
    if options["report_file"]:
        from tallymark.recording.report import write_report
        from tallymark.recording.report.notebook_fields import Notebook

        fields = ("participant", "session", "experimenter", "amplifier")
        notebook = Notebook(**{name: options[name] for name in fields})
        yield options["report_file"], lambda path: write_report(
            result, path, log, plan, notebook=notebook
        )


def _expectation(
    log: markerlog.LogData, plan: plans.Plan | None, options: dict[str, Any]
) -> Expectation:
    from tallymark.recording.stated_expectations import Expectation, idle_of

    idle, said_by = idle_of(log, plan)
    if options["active"] != "auto" or options["idle"] is not None:
        idle, said_by = None, ""  # the user knows the levels
    return Expectation(
        idle, said_by, options["part"], options["first"], options["last"], options["same_session"]
    )


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
            table.add_row(name, str(code), "" if planned is None else str(planned), str(number))
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


def _load(
    recording: Path,
    options: dict[str, Any],
    log: markerlog.LogData | None = None,
    idle: Level | None = None,
) -> RecordedEvents:
    from tallymark.recording import Rule, design_of, load_events

    rule = Rule(
        options["lines"],
        options["first_bit"],
        options["active"],
        options["event_start"],
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
            design=None if log is None else design_of(log, idle),
            types=options["types"],
            values=options["values"],
            hexadecimal=options["hexadecimal"],
            time_column=options["time_column"],
        )


def _delays_as_data(delays: Delays | None) -> dict[str, Any]:
    if delays is None:
        return {}
    from tallymark.markerlog.delay.result import as_data

    return {"delays": as_data(delays)}


def _print(result: Comparison, delays: Delays | None) -> None:
    from tallymark.markerlog.delay.sentences import sentences as delay_sentences
    from tallymark.recording import FATES, overall_outcome, summary

    console = safe(Console(highlight=False, soft_wrap=True))
    found = overall_outcome.findings(result)
    colours = {"good": "green", "bad": "red", "doubt": "yellow"}
    colour = f"bold {colours[found[0].outcome.mood]}"
    console.print(Text(found[0].outcome.title, colour))
    for number, finding in enumerate(found):
        title = f"{finding.outcome.title}. " if number else ""
        console.print(Text.assemble((title, "bold"), finding.text))
    console.print()
    if found[0].outcome.name != "another session":
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
    for sentence in delay_sentences(delays):
        console.print(escape(sentence))
    for heading, rows in (
        ("Worst cases", summary.problems(result)),
        ("Other places", summary.doubts(result)),
    ):
        if rows:
            console.print(f"\n[bold]{heading}[/] (time in the recording)")
            for row in rows:
                console.print("  " + escape(row))
