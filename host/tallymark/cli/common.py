"""What all commands share: options, opening the box, output and progress."""

from __future__ import annotations

import contextlib
import json
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import click
from rich.console import Console
from rich.text import Text

from tallymark.box.box import Box
from tallymark.box.link.marker import Marker
from tallymark.box.wire.answer_values import SequenceState
from tallymark.box.wire.protocol_enumerations import Request, SequencePhase
from tallymark.cli.safe_console import safe
from tallymark.common.errors import TallymarkError
from tallymark.common.formatting import parse_time, time_text

F = TypeVar("F", bound=Callable[..., Any])
Update = Callable[[str, float, float], None]
"""Shows how far a job is: what is being done, how much is done, and of how much (0: unknown)."""


def box_option(command: F) -> F:
    """Adds `--box`, which a command gets as `where`."""
    return click.option(
        "--box",
        "where",
        metavar="BOX",
        envvar="TALLYMARK_BOX",
        help="Which box: a port, its serial number, its name, a URL such as socket://HOST:PORT, or "
             "'virtual' (see 'tallymark --help'). Default: the variable TALLYMARK_BOX, or the only "
             "box that is connected.",
    )(command)


def json_option(command: F) -> F:
    """Adds `--json`, which a command gets as `as_json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")(
        command
    )


def code_option(text: str) -> int:
    """A code as an option or argument: decimal, 0x.. or 0b.. . The library checks its range."""
    try:
        return parse_number(text)
    except ValueError:
        raise click.BadParameter(f"'{text}' is not a code. Write 5, 0x05 or 0b101.") from None


def time_option(text: str) -> int:
    """A time in microseconds as an option, which has a unit: 500us, 5ms, 1.5s."""
    try:
        return parse_time(text)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from None


def parse_number(text: str) -> int:
    """A whole number: decimal, 0x.. or 0b.. . ValueError otherwise."""
    text = text.strip()
    return int(text, 0) if text[:2].lower() in ("0x", "0b") else int(text)


def out() -> Console:
    """The screen for results."""
    return safe(Console(highlight=False, markup=False))


def err() -> Console:
    """The screen for errors, remarks and progress: the standard error stream."""
    return safe(
        Console(stderr=True, highlight=False, markup=False, soft_wrap=not sys.stderr.isatty())
    )


def note(text: str) -> None:
    """A remark that is not the result."""
    err().print(text, style="dim")


def print_json(value: Any) -> None:
    """Prints a result as JSON, in ASCII: that is UTF-8 too, whatever the console's code page."""
    click.echo(json.dumps(value, indent=2, allow_nan=False))


def print_rows(rows: Sequence[tuple[str, str]]) -> None:
    """Prints two columns: what, and its value. Values are wrapped between words only, so that a
    long port can be copied."""
    screen = out()
    indent = max(len(what) for what, _ in rows) + 2
    for what, value in rows:
        room = max(screen.width - indent, 20)
        lines = textwrap.wrap(value, room, break_long_words=False, break_on_hyphens=False)
        for number, line in enumerate(lines or [""]):
            start = "" if number else what
            screen.print(Text.assemble((start.ljust(indent), "dim"), line), soft_wrap=True)


@contextlib.contextmanager
def opened(where: str | None, *, drives: bool = False) -> Iterator[Box]:
    """Opens the box that `--box` names, and closes it in the end.

    drives: the command puts out markers; an interrupt then takes the lines to idle.
    """
    with Box.open(where, progress=note) as box:
        remember_use()
        try:
            yield box
        except KeyboardInterrupt:
            if drives:
                take_to_idle(box)
            raise


_used: list[bool] = []


def remember_use() -> None:
    """A box was opened: what goes wrong from now on may concern its lines."""
    _used.append(True)


def a_box_was_used() -> bool:
    """Whether this command has opened a box."""
    return bool(_used)


def take_to_idle(box: Box) -> Marker | None:
    """Stops a sequence and takes the lines to idle; says whether it could be done."""
    try:
        stop_sequence(box)
        marker = box.set(0).wait()
        cut = marker.cut_lasted_us
        note(
            "The lines are at idle."
            if cut is None
            else "The lines are at idle. The pulse that was out ended early, after "
                 f"{time_text(cut)}."
        )
        return marker
    except TallymarkError as error:
        err().print(f"The lines may not be at idle: {error}", style="bold red")
        return None


def stop_sequence(box: Box) -> tuple[SequenceState, bool]:
    """Stops a sequence, whoever started it. Returns how far it came, and whether it played until
    then: the box remembers a sequence that was stopped long ago, too."""
    before = SequenceState.parse(box.link.ask(Request.SEQUENCE_STATE).body)
    after = SequenceState.parse(box.link.ask(Request.SEQUENCE_STOP).body)
    played = before.phase is SequencePhase.PLAYING and after.phase is SequencePhase.STOPPED
    return after, played


@contextlib.contextmanager
def progress(text: str) -> Iterator[Update]:
    """Shows progress on a terminal. Gives a function to call with (text, done, total)."""
    from rich.progress import (  # slow to import, and few commands need it
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        TaskProgressColumn(),
        TimeRemainingColumn(compact=True),
    )
    screen = err()
    with Progress(*columns, console=screen, transient=True, disable=not screen.is_terminal) as bar:
        task = bar.add_task(text, total=None)

        def update(text: str, done: float, total: float) -> None:
            bar.update(task, description=text, completed=done, total=total or None)

        yield update


def bits(levels: int) -> str:
    """Levels as eight digits, line 7 first."""
    return f"{levels:08b}"
