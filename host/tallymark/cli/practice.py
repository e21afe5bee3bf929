"""`tallymark practice`: make a practice recording and its marker log, without a box.

Exit codes: 0 written; 2 the settings make no sense or a file can't be written.
"""

from __future__ import annotations

from pathlib import Path

import click
import numpy as np
from rich.console import Console
from rich.progress import Progress

from tallymark import markerlog
from tallymark.plan import Plan, PlanError, load
from tallymark.practice import (
    Amplifier,
    Pulse,
    Wiring,
    changes_of,
    disturb,
    sample,
    write_bdf,
)


@click.command()
@click.argument("plan_file", type=click.Path(path_type=Path))
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("log", type=click.Path(path_type=Path))
@click.option("--markers", type=click.IntRange(2, 1_000_000), default=200, show_default=True)
@click.option("--clock-error", type=float, default=35.0, show_default=True, help="ppm.")
@click.option("--lost", type=click.FloatRange(0, 50), default=0.0, help="Per cent of markers.")
@click.option("--extra", type=click.FloatRange(0, 50), default=0.0, help="Per cent of markers.")
@click.option("--altered", type=click.FloatRange(0, 50), default=0.0, help="Per cent of markers.")
@click.option("--open-line", type=click.IntRange(0, 7), help="A line that isn't connected.")
@click.option("--swap", type=(click.IntRange(0, 7), click.IntRange(0, 7)), help="Two lines.")
@click.option("--drop", type=click.FloatRange(0), default=0.0, help="Seconds lost half-way.")
@click.option("--late", type=click.FloatRange(0), default=0.0, help="Seconds it starts too late.")
@click.option("--seed", type=int, default=1, show_default=True)
def practice(plan_file: Path, recording: Path, log: Path, **options: object) -> None:
    """Write a practice RECORDING (BDF) and its marker LOG for the events of PLAN_FILE.

    A simulated amplifier samples the lines, with the faults that you choose, so that `check` can be
    tried and taught without hardware. The markers come at random intervals.
    """
    errors = Console(stderr=True, highlight=False, soft_wrap=True)
    try:
        _write(load(plan_file), recording, log, options, errors)
    except (PlanError, ValueError, OSError) as error:
        errors.print(f"Error: {error}", markup=False)
        raise SystemExit(2) from error
    click.echo(f"written: {recording} and {log}")


def _write(
    plan: Plan, recording: Path, log: Path, options: dict[str, object], errors: Console
) -> None:
    if not plan.events:
        raise ValueError("The plan names no event, so there is nothing to record.")
    if recording.exists():
        raise ValueError(f"{recording}: exists already. Choose another name.")

    def number(name: str) -> float:
        value = options[name]
        assert isinstance(value, (int, float))
        return float(value)

    random = np.random.default_rng(int(number("seed")))
    least = plan.session.least_interval_us or 500_000.0
    count = int(number("markers"))
    times = np.round(np.cumsum(random.uniform(least, 2 * least, count)) + 3e6)
    chosen = [plan.events[n] for n in random.integers(0, len(plan.events), count)]
    pulses = [
        Pulse(float(time), event.code, event.width_us)
        for time, event in zip(times, chosen, strict=True)
    ]
    with markerlog.MarkerLog(
        log,
        box={"board": "none", "serial": "practice"},
        plan={"name": plan.name, "digest": plan.digest},
    ) as written:
        start = markerlog.host_time_us()
        for place, (pulse, event) in enumerate(zip(pulses, chosen, strict=True), 1):
            host = start + round(pulse.time_us)
            written.sent(place, event.code, event.width_us, event.name, host - 300)
            written.answered(place, round(pulse.time_us), host, 250)
    share = (number("lost") / 100, number("extra") / 100, number("altered") / 100)
    pulses = disturb(pulses, *share, seed=int(number("seed"))).pulses
    wiring = Wiring()
    if options["open_line"] is not None:
        wiring = wiring.stuck(int(number("open_line")), high=False)
    if isinstance(options["swap"], tuple):
        wiring = wiring.swapped(*options["swap"])
    rate = round(plan.receiver.sampling_rate or 1000)
    begin = 1e6 + number("late") * 1e6
    duration = float(np.ceil((times[-1] + 3e6 - begin) / 1e6))
    drop = ((duration / 2, round(number("drop") * rate)),) if number("drop") else ()
    amplifier = Amplifier(
        rate, number("clock_error"), begin, duration, dropped=drop, other_bits=0x100000
    )
    idle = 0xFF if plan.receiver.active == "low" else 0
    sampled = sample(changes_of(pulses, idle), wiring, amplifier)
    with Progress(console=errors, transient=True) as bar:
        task = bar.add_task("writing the recording", total=None)
        write_bdf(
            recording,
            sampled,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
