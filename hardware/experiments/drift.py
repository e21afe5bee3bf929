"""Drift: two clocks that run apart, seen in a recording and taken out of it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from click.testing import CliRunner
from tallymark.cli import main as tallymark

from experiment import Experiment, Facts, axes, save

PLAN = Path(__file__).resolve().parents[2] / "host/examples/ferry/plan.toml"
ERRORS_PPM = (0, 35, 80)


def told(clock_error: int, work: Path) -> dict[str, object]:
    """What the check says of a practice recording whose clock is wrong."""
    files = [str(work / f"{clock_error}.{ending}") for ending in ("bdf", "log")]
    run = CliRunner().invoke
    made = run(
        tallymark,
        ["practice", str(PLAN), *files, "--clock-error", str(clock_error), "--markers", "600",
         "--seed", "1"],
    )
    checked = run(tallymark, ["check", *files, "--json"])
    if made.exit_code or checked.exit_code:
        raise RuntimeError(made.output + checked.output)
    found: dict[str, object] = json.loads(checked.output)
    return found


def run(target: Path) -> Facts:
    import tempfile

    figure, one = axes()
    facts: Facts = {}
    with tempfile.TemporaryDirectory() as work:
        for error in ERRORS_PPM:
            found = told(error, Path(work))
            rows = found["markers"]
            assert isinstance(rows, list)
            box = np.array([row["box_us"] for row in rows])
            apart = np.array([row["recorded_us"] for row in rows]) - box
            one.plot((box - box[0]) / 60e6, (apart - apart[0]) / 1e3, ".", markersize=4,
                     label=f"{error} ppm")  # fmt: skip
            timing = found["timing"]
            assert isinstance(timing, dict)
            facts[f"ppm{error}"] = f"{timing['drift_ppm']:.1f}"
            facts[f"bound{error}"] = f"{timing['drift_error_ppm']:.1f}"
            facts["limit"] = f"{timing['limit_us'] / 1e3:.2f}"
            facts["jitter"] = f"{timing['jitter_us'] / 1e3:.2f}"
    one.set(xlabel="minutes", ylabel="recording against box, ms")
    one.legend(title="clock error", frameon=False, markerscale=3)
    save(figure, target)
    return facts


EXPERIMENT = Experiment(
    "drift",
    "Sampling and drift",
    "See two clocks run apart, measure by how much, and tell drift from the jitter of sampling.",
    "The virtual box and its practice recordings; nothing else.",
    (
        "Make a practice recording whose clock is 80 ppm fast, and check it.",
        "Find the line of the output that names the drift, and the one that names the jitter.",
        "Do it again with 0 ppm, and with a clock of your own.",
    ),
    (
        "tallymark practice host/examples/ferry/plan.toml drift.edf drift.log --clock-error 80 --markers 600 --seed 1",
        "tallymark check drift.edf drift.log",
        "tallymark practice host/examples/ferry/plan.toml none.edf none.log --clock-error 0 --markers 600 --seed 2",
        "tallymark check none.edf none.log",
    ),
    (
        "80 ppm: how many milliseconds is that after one hour?",
        "The dots of the figure form a band instead of a line. Why, and how wide is it at 1000 Hz?",
        "Why can't the check say exactly 80?",
        "A lab puts stimulus and recording together by the time at which both were started, and nothing else. After how many minutes at 80 ppm is it wrong by 10 ms?",
    ),
    (
        "288 ms: 80 millionths of 3,600 s.",
        "A receiver sees an edge at its next sample, 0 to 1 ms later. Evenly spread over 1 ms that is {limit} ms of standard deviation; the check found {jitter} ms.",
        "600 markers within a minute and a half, each known to 1 ms, fix the slope to about ± {bound80} ppm: it said {ppm80} ppm. A longer session would be more exact.",
        "10 ms / 80 ppm is 125 s: after two minutes.",
    ),
    run,
    "How far the recording's clock is ahead of the box's, marker by marker; from practice recordings at 1000 Hz.",
)  # fmt: skip
