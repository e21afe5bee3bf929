"""Lists of numbers on the command line, such as 0-4 or 0,2, the same wherever lines are named."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from tallymark.common.lines.readback_wiring_model import LINES

F = TypeVar("F", bound=Callable[..., Any])


def listed(text: str, most: int) -> list[int]:
    """The numbers that a text such as `0-3,6` lists, in order, each once.

    ValueError for what is no number, and for numbers above `most`.
    """
    numbers: set[int] = set()
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        first, _, last = part.partition("-")
        if not first.isdigit() or (last and not last.isdigit()):
            raise ValueError(f"{part!r} is not a number or a range such as 0-4")
        if int(last or first) > most:
            raise ValueError(f"the highest number is {most}")
        numbers.update(range(int(first), int(last or first) + 1))
    return sorted(numbers)


def lines_option(text: str) -> Callable[[F], F]:
    """Adds `--lines`; a command gets `lines`, bit n for line n. text: what they are for."""
    return click.option(
        "--lines",
        metavar="LINES",
        callback=_lines_given,
        default="0-7",
        show_default=True,
        help=f"{text}, such as 0-4 or 0,2.",
    )


def _lines_given(_ctx: click.Context, _param: click.Parameter, value: str) -> int:
    try:
        lines = sum(1 << line for line in listed(value, LINES - 1))
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from None
    if not lines:
        raise click.BadParameter("no line is given.")
    return lines
