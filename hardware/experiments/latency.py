"""Latency and jitter: markers timed by the computer, and markers timed by the box.

Usage: python latency.py [--box BOX] [--busy]
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from tallymark import Box

from experiment import Experiment, Facts, axes, save

MARKERS, EVERY_S = 200, 0.01
Times = NDArray[np.float64]


def by_the_computer(box: Box) -> tuple[Times, Times]:
    """Deviations of the intervals from 10 ms, and the time from each call to its answer, in ms."""
    edges, answers = [], []
    due = time.perf_counter() + 0.05
    for _ in range(MARKERS):
        time.sleep(max(0.0, due - time.perf_counter()))
        called = time.perf_counter()
        edges.append(box.pulse(1, width_us=1000).wait().box_time_us)
        answers.append(time.perf_counter() - called)
        due += EVERY_S
    return np.diff(edges) / 1e3 - EVERY_S * 1e3, np.array(answers) * 1e3


def by_the_box(box: Box) -> Times:
    """The same deviations of a sequence that the box plays, from its own readback."""
    with box.capture() as capture:
        play = box.sequence([(1, 1000), (0, 9000)], MARKERS)
        play.start()
        found = []
        end = time.perf_counter() + MARKERS * EVERY_S + 0.1
        while time.perf_counter() < end:
            time.sleep(0.05)
            found += capture.fetch()
    found += capture.fetch()
    rises = [edge.time_us for edge in found[1:] if edge.levels & 1]
    return np.diff(rises) / 1e3 - EVERY_S * 1e3


def in_words(deviations: Times) -> str:
    low, high = np.percentile(deviations, (5, 95))
    return f"5 to 95 of 100 within {high - low:.3f} ms, worst {np.abs(deviations).max():.3f} ms"


def busy_computer() -> list[subprocess.Popen[bytes]]:
    """Four programs that use the processors up."""
    return [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(4)]


def run(target: Path) -> Facts:
    with Box.open("virtual") as box:
        quiet, answers = by_the_computer(box)
        load = busy_computer()
        try:
            busy, _ = by_the_computer(box)
        finally:
            for program in load:
                program.kill()
                program.wait()
        played = by_the_box(box)
    figure, one = axes(6.4, 4.8)
    for name, deviations in (
        ("timed by the computer", quiet),
        ("the same, computer busy", busy),
        ("sequence, timed by the box", played),
    ):
        share = np.arange(1, len(deviations) + 1) / len(deviations) * 100
        one.step(np.sort(np.abs(deviations)) + 1e-3, share, label=name, linewidth=2)
    one.set_xscale("log")
    one.set(xlabel="interval is wrong by at most ... ms", ylabel="of 100 markers")
    one.legend(loc="lower left", bbox_to_anchor=(0, 1), frameon=False)
    save(figure, target)
    if played.any() or len(answers) != MARKERS:
        raise RuntimeError("a sequence that the box played was not exact")
    return {"played": str(len(played) + 1)}


EXPERIMENT = Experiment(
    "latency",
    "Latency and jitter",
    "Tell a delay that is always the same from one that varies, and see who keeps the time better.",
    "A computer; a box, or the virtual box.",
    (
        "Send 200 markers, one every 10 ms, timed by the computer. The box stamps each edge. Then the box plays the same as a sequence.",
        "Do it again while the computer is busy.",
        "With a box: leave `--box virtual` out.",
    ),
    (
        "python hardware/experiments/latency.py --box virtual",
        "python hardware/experiments/latency.py --box virtual --busy",
    ),
    (
        "Which of the numbers is latency, which is jitter?",
        "A delay of 3 ms that never changes: what does it do to an average over 100 trials? And one that varies by 3 ms?",
        "Why is the sequence exact, however busy the computer is?",
        "A stimulus is drawn at the next refresh of a 60 Hz screen. How much jitter is that, and does a better marker box help?",
    ),
    (
        "From the call to the answer is an upper bound of the latency. How much the intervals vary is jitter.",
        "A constant delay shifts the average, and can be subtracted. A varying one smears it: what is shorter than the jitter becomes flat and wide.",
        "The box has all steps before it starts and counts its own clock; the computer has no part in any edge but the start. Of {played} markers played, none was wrong by even 1 µs.",
        "Up to 16.7 ms, evenly spread. No box helps: the marker has to be sent when the picture appears, or the light has to be measured.",
    ),
    run,
    "Share of markers whose interval is wrong by at most so much. Measured once on the virtual box; yours differs, but in the same order. Exact intervals are drawn at 0.001 ms.",
)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--box", help="a port, a name, 'virtual'; default: the one plugged in")
    parser.add_argument("--busy", action="store_true", help="keep the processors busy meanwhile")
    options = parser.parse_args()
    load = busy_computer() if options.busy else []
    try:
        with Box.open(options.box) as box:
            deviations, answers = by_the_computer(box)
            print(f"call to answer: half within {np.median(answers):.3f} ms")
            print(f"intervals, timed by the computer: {in_words(deviations)}")
            print(f"intervals, timed by the box:      {in_words(by_the_box(box))}")
    finally:
        for program in load:
            program.kill()
            program.wait()


if __name__ == "__main__":
    main()
