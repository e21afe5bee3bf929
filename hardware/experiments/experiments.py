"""Write EXPERIMENTS.md: what to do, and the results that the virtual box gives.

Needs the project's Python package (`pip install -e .` in the folder of the project).
"""

# ruff: noqa: E501 - the sheet is read unbroken

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from tallymark import Box
from tallymark.lines.wiring import Wiring
from tallymark.selftest import run
from tallymark.virtual.practice import Amplifier, Pulse, changes_of, sample

RATES_HZ = (250, 500, 1000, 2000, 5000)
WIDTHS_US = (200, 500, 1000, 2000, 5000)
MARKERS = 500

TEXT = """\
# Experiments for a class

Written by `hardware/experiments/experiments.py`, which ran each of them on the virtual box; the real
box on the bench must give the same answers. Nobody is wired to anything here.

## 1. How wide must a pulse be?

A receiver looks at the lines once a sample. {markers} markers of each width, at moments that have
nothing to do with the samples; the table says which share of them a receiver sees.

{widths}

*Expected:* a pulse as wide as one sample period is always seen, a narrower one only as often as its
width divided by the period. On the bench: send pulses of 500 µs and record at 1000 Hz.

## 2. A bridged pair

Join lines 1 and 4: on the bench with a clip between 1 and 4 of J2, on the virtual box with

    tallymark selftest --box "virtual://?time=stepped&fault=bridged-or:1,4"

*Expected:* {bridged}

{codes}

Which of the two rules holds on the bench depends on the drivers: two that pull against each other
through 270 Ω meet in the middle, at about 2.5 V, and a TTL input takes that for a high. So does the readback of the Pico; that of the Nano has its
threshold just there, and the self-test may find the lines unsteady.

## 3. A slow edge

Hang 100 nF from line 5 to G on J2: 270 Ω and 100 nF need {bench_us:.0f} µs to the 2 V of a TTL input.
On the virtual box (200 µs up, 300 µs down):

    tallymark selftest --box "virtual://?time=stepped&fault=slow:5,200,300"

*Expected:* {slow} While the other lines are there and line 5 isn't yet, the receiver sees another
code: 33 (lines 0 and 5) begins as 1.

## 4. What isolation does

Only on the bench, no cable to a receiver. Meter on ohms between the D-sub shell and the shell of the
USB plug.

| box | must read | which means |
| --- | --- | --- |
| plain | under 1 Ω | the receiver's ground is the computer's ground: a loop through both mains plugs |
| isolated | over 20 MΩ | no loop; a fault voltage in the computer stays there |

Then run the self-test on both: it passes on both, since the levels cross the barrier and come back.
"""


def seen_share(rate: int, width_us: int) -> float:
    """Share of the markers that show in at least one sample."""
    step = 20_000 + 137  # a step that is no multiple of any sample period
    pulses = [Pulse(10_000 + k * step, 1, width_us) for k in range(MARKERS)]
    amplifier = Amplifier(rate=rate, duration_s=12.0)
    channel = np.concatenate(list(sample(changes_of(pulses), Wiring(), amplifier).pieces()))
    return float(np.count_nonzero(np.diff(channel) == 1)) / MARKERS


def widths_table() -> str:
    """Rows of widths against columns of sampling rates."""
    lines = ["| width | " + " | ".join(f"{rate} Hz" for rate in RATES_HZ) + " |"]
    lines.append("| --- " * (len(RATES_HZ) + 1) + "|")
    for width in WIDTHS_US:
        shares = " | ".join(f"{seen_share(rate, width):.0%}" for rate in RATES_HZ)
        lines.append(f"| {width} µs | {shares} |")
    return "\n".join(lines)


def verdict(fault: str) -> str:
    """What the self-test says of a fault of the virtual box."""
    with Box.open(f"virtual://?time=stepped&fault={fault}") as box:
        report = run(box)
    found = report.as_dict()
    places = [place for way in found["explanations"] for place in way] + list(found["measured"])
    if not places:
        raise RuntimeError(f"the self-test found nothing wrong with {fault}")
    return " ".join(f"{place['what']}. Look at {place['look']}." for place in places)


def codes_table(fault: str) -> str:
    """What four codes become."""
    seen = Wiring([fault]).table()
    rows = "\n".join(f"| {code} | {seen[code]} |" for code in (1, 2, 16, 18))
    return f"| sent | read |\n| --- | --- |\n{rows}"


if __name__ == "__main__":
    here = Path(__file__).resolve().parent
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else here / "EXPERIMENTS.md"
    target.write_text(
        TEXT.format(
            markers=MARKERS,
            widths=widths_table(),
            bridged=verdict("bridged-or:1,4"),
            codes=codes_table("bridged-or:1,4"),
            slow=verdict("slow:5,200,300"),
            bench_us=-270 * 100e-9 * np.log(1 - 2 / 5) * 1e6,
        )
    )
