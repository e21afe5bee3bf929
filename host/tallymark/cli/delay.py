"""`tallymark delay`: how long after its marker the light changed or the sound began.

Exit codes: 0 each marker has its onset, and the delay is steady; 1 it is not so, or nothing can be
claimed; 2 a file can't be read or written.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.table import Table
from rich.text import Text

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.cli import common, exit_codes
from tallymark.cli.output_files import check_free, replace_option
from tallymark.common.errors import BadValue, pip_install
from tallymark.common.formatting import parse_time

if TYPE_CHECKING:  # NumPy is loaded when the command runs
    from tallymark.markerlog.delay import Delays, EventDelay, ProbeDelay

_DASH = "-"


def _range_option(text: str) -> tuple[int, int]:
    """'-100ms..400ms' in µs."""
    low, dots, high = text.partition("..")
    try:
        if not dots:
            raise ValueError("it has no '..'")
        return _signed(low), _signed(high)
    except ValueError as error:
        raise click.BadParameter(f"'{text}' is no range such as -100ms..400ms: {error}.") from None


def _signed(text: str) -> int:
    text = text.strip()
    return -parse_time(text[1:]) if text.startswith("-") else parse_time(text)


@click.command()
@click.argument("log_file", metavar="LOG", type=click.Path(path_type=Path))
@click.option("--plan", "plan_file", type=click.Path(path_type=Path),
              help="Plan whose events say their probe.")
@click.option("--probe", type=click.Choice(["light", "sound", "ttl"]),
              help="Instead of a plan: the probe of all markers.")
@click.option("--range", "range_us", type=_range_option, default="-100ms..400ms",
              show_default=True, metavar="FROM..TO",
              help="When an onset may come, from its marker on.")
@click.option("--refresh", type=click.FloatRange(1, 1000), metavar="HZ",
              help="Refresh rate of the display, to tell changes in frames.")
@click.option("--plot", type=click.Path(path_type=Path),
              help="Draw all delays over time: .png, .svg or .pdf.")
@replace_option
@common.json_option
def delay(
    log_file: Path,
    plan_file: Path | None,
    probe: str | None,
    range_us: tuple[int, int],
    refresh: float | None,
    plot: Path | None,
    replace: bool,
    as_json: bool,
) -> None:
    """Tell how long after its marker the light changed or the sound began.

    LOG is a marker log that was kept while the box watched a probe. In the plan, each event that
    is to be seen says so:

    \b
      [[event]]
      name = "ferry in sight"
      code = 12
      probe = "light"

    For each marker the onset of its probe is looked for in the range. Told are delay and standard
    deviation of each event; markers without an onset, or with more than one; single onsets that
    are off from the others, as after a dropped frame; lasting steps and a drift. Where onsets
    can't be told apart, nothing is claimed.

    While the session is running, the command tells of what is in the log so far.

    Exit codes: 0 each marker has its onset, and the delay is steady; 1 it is not so, or nothing can
    be claimed; 2 a file can't be read or written.
    """
    if (plan_file is None) == (probe is None):
        raise click.UsageError("Say which markers have an onset: --plan PLAN, or --probe light for "
                               "all of them.")
    check_free(plot, replace=replace, inputs=(log_file, plan_file))
    if plot is not None and plot.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise BadValue(f"The name of a plot ends in .png, .svg or .pdf, not as {plot}.")
    from tallymark.markerlog.delay import measure
    from tallymark.markerlog.delay.result import as_data
    from tallymark.markerlog.delay.sentences import findings, headline

    log = markerlog.read(log_file)
    found = measure(log, plans.load(plan_file) if plan_file else str(probe), range_us)
    if plot is not None:
        _draw(found, plot, refresh)
    if as_json:
        common.print_json(as_data(found))
    else:
        screen = common.out()
        for each in found.probes:
            style = "bold green" if each.good else "bold"
            mark = "✓" if each.good else "!"
            screen.print(Text(f"{mark} {headline(each, refresh)}", style), soft_wrap=True)
            for said in findings(each, range_us, refresh):
                screen.print(Text(f"  {said}"), soft_wrap=True)
            screen.print(_table(each))
        for note in found.notes:
            screen.print(Text(note, "dim"), soft_wrap=True)
        if plot is not None:
            screen.print(Text(f"Plot: {plot}", "dim"), soft_wrap=True)
    raise SystemExit(exit_codes.DONE if found.good else exit_codes.NOT_GOOD)


def _draw(found: Delays, plot: Path, refresh: float | None) -> None:
    from tallymark.markerlog.delay.plot import draw_delays

    try:
        draw_delays(found, plot, refresh)
    except ImportError:
        raise BadValue("A plot needs matplotlib. Nothing was drawn. Install it: "
                       f"{pip_install('picture')}") from None


def _table(probe: ProbeDelay) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="dim")
    table.add_column("ms", min_width=16)
    for heading in ("markers", "onsets", "mean", "SD", "least", "most", "off", "none", "double"):
        table.add_column(heading, justify="right", no_wrap=True)

    def row(event: EventDelay) -> None:
        times = (event.mean_us, event.sd_us, event.least_us, event.most_us)
        cells = [_DASH if us is None else f"{us / 1e3:.2f}" for us in times]
        counts = (event.off, event.markers - event.found, event.double)
        table.add_row(event.name, str(event.markers), str(event.found), *cells,
                      *(str(count) if count else _DASH for count in counts))

    for event in probe.events:
        row(event)
    if len(probe.events) > 1:
        row(probe.all_events)
    return table
