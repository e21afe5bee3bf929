"""Why two samples: one late line, and two rules of reading a code.

Usage: python two_samples.py RATE_HZ LATE_US
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.virtual.practice import Amplifier, Pulse, changes_of, sample

from experiment import Experiment, Facts, axes, save

CODE, WIDTH_US, MARKERS = 33, 5000, 500  # lines 0 and 5; line 5 is late
RATES_HZ = (500, 1000, 2000, 5000, 10_000)
LATE_US = 200
Samples = NDArray[np.int32]


def recorded(rate: int, late_us: int) -> Samples:
    pulses = [Pulse(10_000 + k * 20_137, CODE, WIDTH_US) for k in range(MARKERS)]
    wiring = Wiring([f"slow:5,{late_us}us,{late_us}us"])
    amplifier = Amplifier(rate=rate, duration_s=12.0)
    return np.concatenate(list(sample(changes_of(pulses), wiring, amplifier).pieces())) & 0xFF


def false_codes(rate: int, alike: int, late_us: int = LATE_US) -> int:
    """How often another code than the one sent stands for `alike` samples at least."""
    samples = recorded(rate, late_us)
    start = np.flatnonzero(np.diff(samples, prepend=-1))
    lasts = np.diff(start, append=len(samples))
    code = samples[start]
    return int(np.count_nonzero((lasts >= alike) & (code != CODE) & (code != 0)))


def run(target: Path) -> Facts:
    figure, one = axes()
    for alike, name in ((1, "one sample is enough"), (2, "two samples alike")):
        counts = [100 * false_codes(rate, alike) / MARKERS for rate in RATES_HZ]
        one.plot(range(len(RATES_HZ)), counts, label=name, linewidth=2, marker="o")
    one.set_xticks(range(len(RATES_HZ)), [f"{rate}" for rate in RATES_HZ])
    one.set(xlabel="sampling rate, Hz", ylabel="false codes for each 100 markers")
    one.legend(loc="upper left", frameon=False)
    save(figure, target)
    return {
        "one": str(false_codes(1000, 1)),
        "two": str(false_codes(1000, 2)),
        "fast": str(false_codes(10_000, 2)),
    }


EXPERIMENT = Experiment(
    "two-samples",
    "Why two samples",
    "See which codes appear that nobody sent, and what a receiver gains that waits for two samples alike.",
    "The virtual box. On the bench: a breadboard box and 100 nF.",
    (
        "Line 5 arrives 0.2 ms late. 500 markers with code 33 (lines 0 and 5), each 5 ms wide: what does a receiver read that takes every sample, and one that takes a code only when two samples in a row are alike?",
        "Change rate and delay.",
        "The self-test names the late line.",
        "On the bench: hang 100 nF from line 5 to ground. 330 Ω and 100 nF need 17 µs to the 2 V of a TTL input, so take a receiver that samples fast, or a logic analyser.",
    ),
    (
        "python hardware/experiments/two_samples.py 1000 200",
        "python hardware/experiments/two_samples.py 10000 200",
        'tallymark selftest --box "virtual://?time=stepped&fault=slow:5,200us,200us"',
    ),
    (
        "Which false codes appear, and when?",
        "Why does the share of false codes grow with the sampling rate?",
        "Two samples alike: when does this rule fail, too?",
        "What does the rule cost? Think of the shortest pulse that is still seen for certain.",
    ),
    (
        "Code 1 at the beginning, while line 0 is there and line 5 not yet; code 32 at the end, while line 5 still is. At 1000 Hz a receiver that takes each sample reads {one} false codes in 500 markers, one that waits for two reads {two}.",
        "A fast receiver is more likely to look within the 0.2 ms.",
        "When the lines differ for longer than a sample period: at 10,000 Hz two samples fit into 0.2 ms, and {fast} false codes are back. Then the line has to be repaired, or the receiver has to wait longer.",
        "A pulse must last two sample periods at least, three to be certain with a late line; that is why a plan names `least_samples`.",
    ),
    run,
    "False codes in 500 markers with line 5 late by 0.2 ms, run on the simulated amplifier.",
)  # fmt: skip

if __name__ == "__main__":
    rate, late = int(sys.argv[1]), int(sys.argv[2])
    for alike in (1, 2):
        words = "each sample" if alike == 1 else "two samples alike"
        print(f"{words}: {false_codes(rate, alike, late)} false codes in {MARKERS} markers")
