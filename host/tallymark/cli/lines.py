"""`tallymark lines`: the levels of the lines, once or live."""

from __future__ import annotations

from dataclasses import asdict

import click
from rich.console import Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from tallymark.box.wire.answer_values import Levels
from tallymark.cli.common import box_option, json_option, opened, out, print_json
from tallymark.common.formatting import time_text

_LOOK_S = 0.1


@click.command()
@click.option("--live", is_flag=True, help="Update the display until Ctrl-C.")
@box_option
@json_option
def lines(live: bool, where: str | None, as_json: bool) -> None:
    """Show the levels of the lines and of the readback.

    Moves no line. With --live, stop with Ctrl-C (exit code 0).
    """
    if live and as_json:
        raise click.UsageError("--live shows a screen and --json prints one result: choose one.")
    with opened(where) as box:
        idle = box.settings.read().idle_levels
        levels = box.levels()
        if as_json:
            print_json({**asdict(levels), "code": levels.outputs ^ idle})
            return
        screen = out()
        if not live:
            screen.print(_draw(levels, idle))
            return
        try:
            with Live(_draw(levels, idle), console=screen, auto_refresh=False) as view:
                while True:
                    box.pacing.sleep(_LOOK_S)
                    view.update(_draw(box.levels(), idle), refresh=True)
        except KeyboardInterrupt:
            return


def _draw(levels: Levels, idle: int) -> RenderableType:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("line", style="dim", no_wrap=True)
    for line in range(7, -1, -1):
        table.add_column(str(line), justify="center")
    table.add_row("driven", *_row(levels.outputs, levels.outputs ^ idle))
    table.add_row("readback", *_row(levels.readback, levels.outputs ^ levels.readback, "red"))
    code, back = levels.outputs ^ idle, levels.readback ^ idle
    return Group(table, Text(f"code {code}, read back as {back}, at {time_text(levels.time_us)}"))


def _row(levels: int, marked: int, style: str = "bold green") -> list[Text]:
    """One word for each line, line 7 first; marked ones stand out."""
    return [
        Text("high" if levels >> line & 1 else "low", style if marked >> line & 1 else "")
        for line in range(7, -1, -1)
    ]
