"""Short pulses: which share of them a receiver sees that looks once a sample.

Usage: python short_pulses.py WIDTH_US RATE_HZ
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.virtual.practice import Amplifier, Pulse, changes_of, sample

from experiment import Experiment, Facts, axes, save

RATES_HZ = (250, 500, 1000, 2000)
WIDTHS_US = (200, 400, 500, 800, 1000, 1500, 2000, 3000, 4000, 5000)
MARKERS = 500


def seen_share(rate: int, width_us: int) -> float:
    """Share of the markers that show in at least one sample."""
    step = 20_000 + 137  # no multiple of any sample period: every phase comes up
    pulses = [Pulse(10_000 + k * step, 1, width_us) for k in range(MARKERS)]
    amplifier = Amplifier(rate=rate, duration_s=12.0)
    channel = np.concatenate(list(sample(changes_of(pulses), Wiring(), amplifier).pieces()))
    return float(np.count_nonzero(np.diff(channel) == 1)) / MARKERS


def run(target: Path) -> Facts:
    figure, one = axes()
    for rate in RATES_HZ:
        shares = [100 * seen_share(rate, width) for width in WIDTHS_US]
        one.plot(np.array(WIDTHS_US) / 1e3, shares, label=f"{rate} Hz", linewidth=2, marker="o")
    one.set(xlabel="width of the pulse, ms", ylabel="seen, of 100", ylim=(0, 105))
    one.legend(title="sampling rate", loc="lower right", frameon=False)
    save(figure, target)
    return {"half": f"{seen_share(1000, 500):.0%}", "whole": f"{seen_share(1000, 1000):.0%}"}


EXPERIMENT = Experiment(
    "short-pulses",
    "Short pulses and sampling",
    "Find the width below which markers vanish without a trace.",
    "The virtual box. On the bench: a box and an amplifier with a trigger input.",
    (
        "500 markers at moments that have nothing to do with the samples: how many does the receiver see?",
        "Try widths from 0.2 to 5 ms and your own sampling rate, and draw the curve.",
        "On the bench: the third command, recorded at 1000 Hz; count what arrived.",
    ),
    (
        "python hardware/experiments/short_pulses.py 500 1000",
        "python hardware/experiments/short_pulses.py 1000 1000",
        'tallymark pulse 1 --width 500us --count 100 --every 37ms --box "virtual://?time=stepped"',
    ),
    (
        "What is the rule? Write it as a formula of width and rate.",
        "Why 37 ms and not 40 ms on the bench?",
        "Someone sends 0.5 ms at 1000 Hz, sees 250 of 500 markers, and repairs the cable. Is it the cable?",
        "Does an averaged response get worse if half of the markers are lost at random?",
    ),
    (
        "The smaller of 1 and width × rate. A pulse as wide as a sample period is always seen once.",
        "40 ms is 40 sample periods: each pulse falls into the same place between two samples, and all are seen or none. That looks like a perfect or a dead cable.",
        "No: {half} are seen with any cable. At 1 ms it is {whole}.",
        "It has fewer trials, so more noise. Worse: with codes that mean different things, nobody knows which ones are gone. Only the marker log knows.",
    ),
    run,
    "Share of 500 pulses that a receiver sees, run on the simulated amplifier.",
)  # fmt: skip

if __name__ == "__main__":
    width, rate = int(sys.argv[1]), int(sys.argv[2])
    print(f"{width} µs at {rate} Hz: {seen_share(rate, width):.0%} of {MARKERS} markers are seen")
