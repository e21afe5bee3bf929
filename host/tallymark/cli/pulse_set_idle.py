"""`tallymark pulse`, `set` and `idle`: markers by hand."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import click

from tallymark.box.box import Box
from tallymark.box.link.marker import Marker
from tallymark.cli import exit_codes
from tallymark.cli.common import (
    box_option,
    code_option,
    json_option,
    note,
    opened,
    out,
    print_json,
    progress,
    stop_sequence,
    take_to_idle,
    time_option,
)
from tallymark.common.errors import BadValue, Refused, TallymarkError
from tallymark.common.formatting import time_text

_MOST = 1_000_000


@click.command()
@click.argument("code", metavar="CODE|NAME")
@click.option("--plan", "plan_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Plan with the event NAME: its code and width are used.")
@click.option(
    "--width",
    type=time_option,
    metavar="TIME",
    help="With its unit: 500us, 5ms. Default: the width in the settings of the box.",
)
@click.option("--count", default=1, show_default=True, help="Number of pulses.")
@click.option(
    "--every",
    type=time_option,
    metavar="TIME",
    default="100ms",
    show_default=True,
    help="Time from start to start, timed by this computer. For exact times use 'play'.",
)
@box_option
@json_option
def pulse(
    code: str,
    plan_file: Path | None,
    width: int | None,
    count: int,
    every: int,
    where: str | None,
    as_json: bool,
) -> None:
    """Put CODE, or the event NAME of a plan, on the lines for a width.

    CODE: 1 to 255. The box times the width and returns the lines to idle.
    """
    number, width = _code_and_width(code, plan_file, width)
    if not 0 < count <= _MOST:
        raise BadValue(f"--count goes from 1 to {_MOST}, not {count}. Nothing was sent.")
    with opened(where, drives=True) as box:
        used = width or box.settings.read().width_us
        markers: list[Marker] = []
        overtaken = _pulses(box, number, width, count, every, markers)
    if as_json:
        listed = [marker_dict(marker) for marker in markers]
        print_json({"width_us": used, "markers": listed, "unconfirmed": overtaken or 0})
    elif count == len(markers) == 1:
        out().print(f"Code {number} went out for {time_text(used)}, {_when(markers[0])}.")
    else:
        _summary(markers, number, used, count, overtaken or 0)
    if overtaken is not None:
        raise SystemExit(exit_codes.INTERRUPTED)
    refused = [marker.error for marker in markers if marker.error is not None]
    if refused:
        raise refused[0]


def _code_and_width(
    text: str, plan_file: Path | None, width: int | None
) -> tuple[int, int | None]:
    """The code that a number or the name of a planned event stands for, and the event's width where
    none is given."""
    if plan_file is None:
        try:
            return code_option(text), width
        except click.BadParameter as error:
            raise click.BadParameter(
                f"{error.message} For the name of an event, give its plan: --plan FILE."
            ) from None
    from tallymark.plan import load

    event = load(plan_file).event(text)
    return event.code, width or event.width_us


def _pulses(
    box: Box, code: int, width: int | None, count: int, every: int, markers: list[Marker]
) -> int | None:
    """Sends pulses and lists them. After Ctrl-C: how many were handed over and are not listed."""
    try:
        _send(box, code, width, count, every, markers)
    except KeyboardInterrupt:
        after = take_to_idle(box)
        return 0 if after is None else after.number - 1 - len(markers)
    except TallymarkError:
        answered = sum(marker.box_time_us is not None for marker in markers)
        if answered:
            note(f"{answered} of {count} pulses were confirmed before that.")
        raise
    return None


def _send(
    box: Box, code: int, width: int | None, count: int, every: int, markers: list[Marker]
) -> None:
    begin = box.pacing.now()
    with progress("Sending pulses") as update:
        for done in range(count):
            if done:
                box.pacing.sleep(max(0.0, begin + done * every * 1e-6 - box.pacing.now()))
            markers.append(box.pulse(code, width))
            try:
                markers[-1].wait()
            except Refused:
                if count == 1:
                    raise
            update("Sending pulses", done + 1, count)


def _summary(
    markers: list[Marker], code: int, width: int, count: int, overtaken: int
) -> None:
    times = [marker.box_time_us for marker in markers if marker.box_time_us is not None]
    screen = out()
    wanted = f" of {count}" if len(times) < count else ""
    screen.print(f"Code {code} went out {len(times)}{wanted} times for {time_text(width)}.")
    if overtaken:
        screen.print("One more was sent when the command was interrupted, and is unconfirmed: look "
                     "for it in the recording.")
    if len(times) > 1:
        apart = [later - earlier for earlier, later in pairwise(times)]
        screen.print(f"By the box's clock they are {time_text(min(apart))} to "
                     f"{time_text(max(apart))} apart.")
    cut = sum(marker.cut_lasted_us is not None for marker in markers)
    if cut:
        screen.print(f"{cut} of them cut the previous pulse, which was shorter than requested.")
    waited = [marker.delay_us for marker in markers if marker.delay_us]
    if waited:
        screen.print(f"{len(waited)} of them waited for the gap, up to {time_text(max(waited))}.")
    if len(times) < len(markers):
        screen.print(f"{len(markers) - len(times)} were refused and are not in the recording.")


@click.command("set")
@click.argument("code", type=code_option)
@box_option
@json_option
def set_(code: int, where: str | None, as_json: bool) -> None:
    """Put CODE (0 to 255) on the lines, where it stays.

    Code 0 takes the lines to idle.
    """
    with opened(where, drives=True) as box:
        marker = box.set(code).wait()
        limit = box.settings.read().hold_limit_us
    if as_json:
        print_json(marker_dict(marker))
        return
    if code == 0:
        out().print(f"The lines are at idle, {_when(marker)}.")
        return
    out().print(f"Code {code} is on the lines, {_when(marker)}.")
    out().print(
        f"The hold limit returns the lines to idle after {time_text(limit)} without a request."
        if limit
        else "It stays until the next marker or 'tallymark idle'. No hold limit is set."
    )


@click.command()
@box_option
@json_option
def idle(where: str | None, as_json: bool) -> None:
    """Take the lines to idle at once.

    Stops a sequence, and ends a pulse or a held code.
    """
    with opened(where, drives=True) as box:
        state, playing = stop_sequence(box)
        marker = box.set(0).wait()
    if as_json:
        sequence = "stopped" if playing else "none"
        print_json({"box_time_us": marker.box_time_us, "sequence": sequence})
        return
    stopped = f" A sequence was stopped after {state.played:,} steps." if playing else ""
    out().print(f"The lines are at idle, {_when(marker)}.{stopped}")


def marker_dict(marker: Marker) -> dict[str, Any]:
    """A marker for JSON."""
    return {
        "number": marker.number,
        "code": marker.code,
        "outcome": marker.outcome.value,
        "box_time_us": marker.box_time_us,
        "cut_lasted_us": marker.cut_lasted_us,
        "delay_us": marker.delay_us,
        "error": None if marker.error is None else str(marker.error),
    }


def _when(marker: Marker) -> str:
    text = f"at box time {time_text(marker.box_time_us or 0)}"
    if marker.delay_us:
        text += f", after waiting {time_text(marker.delay_us)} for the gap"
    if marker.cut_lasted_us is not None:
        text += f"; it cut the previous pulse after {time_text(marker.cut_lasted_us)}"
    return text
