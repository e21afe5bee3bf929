"""`tallymark log`: keep a marker log of the byte input, compare a log with a plan, look into it,
export it.

Exit codes: 0 done; 1 the log is not as planned, or something is missing in it; 2 the log can't be
read or begun; otherwise those of every command.
"""

from __future__ import annotations

from pathlib import Path

import click

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.box.box import Box
from tallymark.box.ports.discovery import is_virtual
from tallymark.cli import common, exit_codes
from tallymark.cli.bids_stimulus_option import stimulus_option, stimulus_presentation
from tallymark.cli.output_files import check_free, replace_option
from tallymark.common.errors import BadValue, TallymarkError
from tallymark.common.formatting import some
from tallymark.markerlog import MarkerLog, MarkerLogIncomplete
from tallymark.monitor import LiveScreen, compare_log, draw, draw_at_end
from tallymark.monitor.byte_input_log import LOOK_S, ByteRecorder, byte_recorder, check_board
from tallymark.monitor.log_statistics import log_statistics, rows
from tallymark.monitor.readback_recorder import LineRecorder, line_recorder


@click.group()
def log() -> None:
    """Write a marker log, compare it with a plan, summarise it."""


@log.command("keep")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--for",
    "duration",
    type=common.time_option,
    metavar="TIME",
    help="Duration: 500ms, 10s. Default: until Ctrl-C.",
)
@click.option(
    "--plan",
    "plan_file",
    type=click.Path(path_type=Path),
    help="Plan with the names of the codes; the log is compared with it at the end.",
)
@click.option("--append", is_flag=True, help="Append to FILE if it exists.")
@click.option(
    "--lines",
    is_flag=True,
    help="Watch the readback inputs instead: for programs that drive lines directly.",
)
@common.box_option
@common.json_option
def keep(
    file: Path,
    duration: int | None,
    plan_file: Path | None,
    append: bool,
    lines: bool,
    where: str | None,
    as_json: bool,
) -> None:
    """Show the bytes on the byte input, and log them.

    For experiment programs that can only write a byte to a serial port: the box reports each byte,
    its time and its outcome; this command shows it and writes it to FILE. With --json it
    prints JSON Lines: an object a byte, and in the end a summary.

    It needs a box with a byte input beside its own port: a Pico, or 'tallymark serve --byte-input'.
    On a Nano with the jumper the only port takes the bytes: use 'tallymark bridge' there, without
    the jumper.

    With --lines it watches the readback inputs, to which the lines of such a program (an old
    parallel port) are wired instead of the box's own: each code and its return to idle is logged.

    Exit codes: 0 done, and with --plan nothing contradicts it; 1 something does, or bytes or
    records are missing in the log; otherwise those of every command.
    """
    plan = None if plan_file is None else plans.load(plan_file)
    comparison = None
    failure: TallymarkError | None = None
    kept: ByteRecorder | LineRecorder
    if is_virtual(where):
        raise BadValue(
            "This virtual box runs inside this command, and no program can reach it. Run "
            "'tallymark serve --byte-input' in another window, and use the box that it prints."
        )
    with common.opened(where) as box:
        if not lines:
            check_board(box)
        watch = line_recorder if lines else byte_recorder
        settings = box.settings.read()
        with LiveScreen(plan, settings, as_json=as_json, console=common.out()) as screen:
            log = MarkerLog.for_box(file, box, plan, append)
            try:
                with watch(box, settings, screen, log) as kept:
                    _wait(box, kept, screen, duration)
            except TallymarkError as error:
                failure = error
                screen.say(f"The log ends here: {error}", bad=True)
            finally:
                incomplete = _closed(log, screen)
            data = markerlog.read(file)
            screen.summary["records_lost"] = log.lost
            if plan is not None:
                comparison = compare_log(plan, data)
                screen.summary["comparison"] = comparison.as_data()
            screen.summary["file"] = str(file)
        if not as_json:
            here = sum(
                marker.session == len(data.headers) - 1
                for marker in data.markers
                if marker.code or marker.source != "lines"
            )
            click.echo(f"{some(here, 'marker')} written to {file}")
            if comparison is not None and plan_file is not None:
                draw_at_end(common.out(), comparison, file, plan_file)
    if failure is not None:
        raise failure
    good = not (kept.lost or incomplete) and (comparison is None or comparison.clean)
    raise SystemExit(exit_codes.DONE if good else exit_codes.NOT_GOOD)


def _closed(log: MarkerLog, screen: LiveScreen) -> bool:
    """Closes the log. Whether it is incomplete."""
    try:
        log.close()
    except MarkerLogIncomplete as error:
        screen.tell(str(error))
        return True
    return False


def _wait(
    box: Box, kept: ByteRecorder | LineRecorder, screen: LiveScreen, duration: int | None
) -> None:
    end = None if duration is None else box.pacing.now() + duration / 1e6
    try:
        while end is None or box.pacing.now() < end:
            box.pacing.sleep(LOOK_S if end is None else min(LOOK_S, end - box.pacing.now()))
            kept.look()
    except KeyboardInterrupt:
        screen.say("Stopped by Ctrl-C.")


@log.command("compare")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("plan_file", metavar="PLAN", type=click.Path(path_type=Path))
@common.json_option
def compare(file: Path, plan_file: Path, as_json: bool) -> None:
    """Compare the marker log FILE with a PLAN: did the program send what was planned?

    Works on every marker log. Finds missing and extra events, codes that are not in the plan,
    markers that are too close together, refused, unconfirmed or late, widths that differ, and
    codes after which the lines did not return to idle.

    Exit codes: 0 nothing contradicts the plan; 1 something does; 2 a file can't be read.
    """
    if markerlog.begins_as_log(plan_file):
        raise BadValue(
            f"{plan_file} is a marker log. The log is the first argument: tallymark log compare "
            f"{plan_file} {file}"
        )
    comparison = compare_log(plans.load(plan_file), markerlog.read(file))
    if as_json:
        common.print_json(comparison.as_data())
    else:
        common.out().print(draw(comparison))
    raise SystemExit(exit_codes.DONE if comparison.clean else exit_codes.NOT_GOOD)


@log.command("show")
@click.argument("file", type=click.Path(path_type=Path))
@common.json_option
def show(file: Path, as_json: bool) -> None:
    """Summarise the marker log FILE."""
    data = markerlog.read(file)
    if as_json:
        common.print_json(log_statistics(data) | {"file": str(file)})
    else:
        common.print_rows([("file", str(file)), *rows(data)])


@log.command("events")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("target", type=click.Path(path_type=Path))
@stimulus_option
@replace_option
@common.json_option
def events(
    file: Path, target: Path, stimulus_file: Path | None, replace: bool, as_json: bool
) -> None:
    """Export the marker log FILE as BIDS events to TARGET (such as sub-01_task-ferry_events.tsv).

    Also writes a JSON sidecar. Onsets are relative to the first confirmed marker.
    """
    from tallymark.recording import bids

    check_free(target, bids.sidecar_of(target), replace=replace, inputs=[file, stimulus_file])
    said = stimulus_presentation(stimulus_file)
    sidecar = bids.write_log(markerlog.read(file), target, replace, said)
    if as_json:
        common.print_json({"events": str(target), "sidecar": str(sidecar)})
    else:
        click.echo(f"written: {target} and {sidecar}")
