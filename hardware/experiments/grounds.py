"""Ground loops and isolation: what a difference between two mains sockets does, in ngspice."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from experiment import Experiment, Facts, axes, save

DIFFERENCE_V = 0.2  # peak, at 50 Hz, between the earths of two sockets
WIRING_OHM, GROUND_OHM = 0.2, 0.1  # of the building, of the cable's ground
BARRIER_F = 30e-12  # isolators and converter

DECK = """* ground loop, {name}
Vdiff earth1 0 SIN(0 {volts} 50)
Rmains earth1 box {wiring}
{link}
Rcable boxgnd 0 {ground}
.options reltol=1e-6
.tran 0.1m 60m 20m
.control
run
set wr_singlescale
wrdata {data} v(boxgnd) i(Vloop)
.endc
.end
"""
LINKS = {
    "plain": "Vloop box boxgnd 0",
    "isolated": f"Cbarrier box mid {BARRIER_F}\nVloop mid boxgnd 0",
}


def loop(variant: str, work: Path, volts: float = DIFFERENCE_V) -> NDArray[np.float64]:
    """Time in s, voltage along the cable's ground in V, current in A."""
    import line_measurements

    deck = DECK.format(
        name=variant, link=LINKS[variant], data=f"{variant}.txt", volts=volts, wiring=WIRING_OHM,
        ground=GROUND_OHM,
    )  # fmt: skip
    line_measurements.ngspice(deck, work / f"{variant}.cir", set())
    return np.loadtxt(work / f"{variant}.txt").T


def run(target: Path) -> Facts:
    figure, both = axes(6.4, 4.8, rows=2)
    facts: Facts = {}
    with tempfile.TemporaryDirectory() as work:
        scales = {"plain": (1.0, "A"), "isolated": (1e-9, "nA")}
        for one, (variant, (scale, unit)) in zip(both, scales.items(), strict=True):
            time, volts, amps = loop(variant, Path(work))
            one.plot(time[:-1] * 1e3 - 20, amps[:-1] / scale, linewidth=2)
            one.set(ylabel=f"{variant}, {unit}", xlim=(0, 40))
            facts[f"{variant}_current"] = _in_units(float(np.abs(amps).max()), "A")
            facts[f"{variant}_volts"] = _in_units(float(np.abs(volts).max()), "V")
        _, _, amps = loop("isolated", Path(work), 325.0)
        facts["fault_current"] = _in_units(float(np.abs(amps).max()), "A")
    both[-1].set_xlabel("ms")
    save(figure, target)
    return facts


def _in_units(value: float, unit: str) -> str:
    for factor, prefix in ((1, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n")):
        if value >= factor:
            return f"{value / factor:.3g} {prefix}{unit}"
    return f"{value / 1e-12:.3g} p{unit}"


EXPERIMENT = Experiment(
    "grounds",
    "Ground loops and isolation",
    "See how much current a small difference between two mains sockets drives through a marker cable, and what a barrier changes.",
    "ngspice. On the bench: an ohmmeter and a box that is unplugged from everything.",
    (
        "Ask ngspice: 0.2 V at 50 Hz between the earths of two sockets, 0.2 Ω in the building, 0.1 Ω in the ground of the cable; then the same with the barrier of the isolated variant, 30 pF.",
        "On the bench, **with the box unplugged at both ends**: meter on ohms between the shell of the D-sub and the shell of the USB plug. Plain: under 1 Ω. Isolated: over 20 MΩ.",
        "The self-test passes on both: the levels cross the barrier and come back.",
    ),
    ("python hardware/experiments/grounds.py", 'tallymark selftest --box "virtual://?time=stepped"'),
    (
        "Which current flows with the plain box, and which voltage does it make along the cable's ground?",
        "What does an amplifier see of that voltage, if its reference is tied to the same ground?",
        "Why is 30 pF enough to stop 50 Hz, but not a spike of a nanosecond?",
        "A fault puts the mains (325 V peak) on the computer's earth. What flows through the barrier? Is that a promise that somebody can trust their life to?",
    ),
    (
        "{plain_current} and {plain_volts}; isolated {isolated_current}.",
        "50 Hz, {plain_volts} in front of microvolts. Filters take out some of it; the loop has to be opened.",
        "The impedance of a capacitor falls with frequency: 100 MΩ at 50 Hz, 5 Ω at 1 GHz. Fast edges cross it.",
        "{fault_current}. No: it is a calculated figure of a design that nobody has tested or certified. Where a person may be wired, the amplifier's isolated input and IEC 60601-1 decide, with local codes and your biomedical engineers.",
    ),
    run,
    "Current through the ground of the cable, from ngspice. Mind the units: above amperes, below nanoamperes.",
    "On paper and in ngspice only. Never put mains voltage, or any voltage, between two grounds, and never with anybody wired to anything.",
)  # fmt: skip

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        for name in LINKS:
            _, along, through = loop(name, Path(folder))
            print(
                f"{name}: {_in_units(float(np.abs(through).max()), 'A')} through the cable's ground, "
                f"{_in_units(float(np.abs(along).max()), 'V')} along it"
            )
