"""Open collector: one transistor, three pull-ups, a long cable, in ngspice.

Usage: python pull_ups.py OHM METRES
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from experiment import Experiment, Facts, axes, save

PULL_UPS_OHM = (1000, 3300, 10_000)
METRES = 10.0
PICOFARAD = 80e-12  # of a transistor and an input
PER_METRE = 60e-12  # of a multi-core cable: to ground, and to its neighbours

DECK = """* open collector, {ohm} ohm, {metres} m
Vsup sup 0 5
Rpull sup pin {ohm}
Cpin pin 0 {farad}
Vgate gate 0 PULSE(0 5 1u 20n 20n 20u 1)
S1 pin 0 gate 0 fet
.model fet sw(vt=2 vh=0.2 ron=5 roff=1e8)
.tran 5n 60u
.meas tran low FIND v(pin) AT=20u
.meas tran fall TRIG v(gate) VAL=2.5 RISE=1 TARG v(pin) VAL=0.8 FALL=1
.meas tran rise TRIG v(gate) VAL=2.5 FALL=1 TARG v(pin) VAL=2.0 RISE=1
.control
run
set wr_singlescale
wrdata {data} v(pin)
.endc
.end
"""


def pulse(ohm: int, metres: float, work: Path) -> tuple[dict[str, float], NDArray[np.float64]]:
    """Low level in V, fall to 0.8 V and rise to 2.0 V in s; and the wave."""
    import line_measurements

    deck = DECK.format(
        ohm=ohm, metres=metres, farad=PICOFARAD + PER_METRE * metres, data=f"{ohm}.txt"
    )
    figures = line_measurements.ngspice(deck, work / f"{ohm}.cir", {"low", "fall", "rise"})
    return figures, np.loadtxt(work / f"{ohm}.txt").T


def run(target: Path) -> Facts:
    figure, one = axes()
    facts: Facts = {}
    with tempfile.TemporaryDirectory() as work:
        for ohm in PULL_UPS_OHM:
            found, (time, volts) = pulse(ohm, METRES, Path(work))
            one.plot(time * 1e6, volts, label=f"{ohm / 1000:g} kΩ", linewidth=2)
            facts[f"rise{ohm}"] = f"{found['rise'] * 1e6:.2f}"
            facts[f"fall{ohm}"] = f"{found['fall'] * 1e9:.0f}"
            facts[f"low{ohm}"] = f"{found['low']:.2f}"
    for level, name in ((2.0, "high from here"), (0.8, "low from here")):
        one.axhline(level, color="0.5", linestyle=":", linewidth=1)
        one.text(3, level + 0.08, name, color="0.4", fontsize=9)
    one.set(xlabel="µs", ylabel="V at the receiver", xlim=(0, 60))
    one.legend(title="pull-up", loc="lower right", frameon=False)
    save(figure, target)
    return facts


EXPERIMENT = Experiment(
    "pull-ups",
    "Open collector",
    "Understand inputs that a transistor pulls to ground, and why one of their edges is slow.",
    "ngspice. On the bench: a breadboard box, one 2N7000, resistors of 1, 3.3 and 10 kΩ, a scope or a logic analyser.",
    (
        "Ask ngspice for a pull-up of 10 kΩ to 5 V at the end of 10 m of cable; then 3.3 kΩ and 1 kΩ.",
        "On the bench: gate to line 0, source to ground, drain to the pull-up. Send pulses of 20 µs (Nano: 50 µs) and look at the drain.",
        "A slow rise, found by the self-test:",
    ),
    (
        "python hardware/experiments/pull_ups.py 10000 10",
        "python hardware/experiments/pull_ups.py 1000 10",
        'tallymark pulse 1 --width 20us --count 10 --every 10ms --box "virtual://?time=stepped"',
        'tallymark selftest --box "virtual://?time=stepped&fault=slow:0,200us,0"',
    ),
    (
        "Which edge is slow, and why only that one?",
        "Calculate the rise to 2 V for 10 kΩ. Does ngspice agree?",
        "Why not simply take 100 Ω?",
        "The receiver counts the low level as active. Which edge is the marker's onset then, and is the slow one harmful?",
        "What does the receiver see if the box is unplugged?",
    ),
    (
        "The rise: the transistor pulls down with some ohms, but only the resistor charges the cable up. With 10 kΩ the fall to 0.8 V takes {fall10000} ns, the rise to 2 V {rise10000} µs; with 1 kΩ it rises within {rise1000} µs.",
        "t = −RC ln(1 − 2/5) = 0.51 RC; R = 10 kΩ, C = 80 pF + 10 × 60 pF = 680 pF: 3.5 µs. ngspice: {rise10000} µs.",
        "50 mA through the transistor and the supply of the receiver, all the time that a line is active; and the low level rises.",
        "The fast one, the fall, is the onset. The slow one only makes the marker look longer.",
        "The pull-up holds the input high: no marker. A gate that hangs in the air may switch anyway, so it gets 100 kΩ to ground.",
    ),
    run,
    "A pulse of 20 µs at the receiver behind 10 m of cable, from ngspice.",
)  # fmt: skip

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        got, _ = pulse(int(sys.argv[1]), float(sys.argv[2]), Path(folder))
        print(
            f"low {got['low']:.2f} V, falls within {got['fall'] * 1e6:.2f} µs, "
            f"rises to 2 V within {got['rise'] * 1e6:.2f} µs"
        )
