"""Tables and pictures of the line simulation, written from the figures of the run."""

# ruff: noqa: E501 - tables and circuits are read unbroken

from __future__ import annotations

from pathlib import Path

import matplotlib

matplotlib.use("svg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.figure import Figure

from canvas import LINE_COLOURS
from line_measurements import BREADBOARD_CABLE_M, Case, Result, Short
from spice_netlist import (
    ACT,
    CABLES_M,
    EDGE,
    RECEIVERS,
    SUPPLIES_V,
    VHCT,
    WIDTH,
    Driver,
    Receiver,
)  # fmt: skip

# The same file for the same figures: no dates, no random names.
plt.rcParams["svg.hashsalt"] = "tallymark"
plt.rcParams["font.family"] = "DejaVu Sans"
# Colours of our own, in the order in which neighbours differ most, and dashes for black and white.
plt.rcParams["axes.prop_cycle"] = plt.cycler(color=LINE_COLOURS) + plt.cycler(
    linestyle=["-", "--", "-.", ":"] * 2
)


def worst(
    results: dict[Case, Result], receiver: Receiver, metres: float, driver: Driver = VHCT
) -> tuple[bool, str, str, str, str]:
    """Verdict, levels, times, crosstalk and least width over both supplies and all modes."""
    chosen = {
        c: r
        for c, r in results.items()
        if (c.receiver, c.metres, c.driver) == (receiver, metres, driver)
    }
    active = {c: r for c, r in chosen.items() if c.mode != "seven"}
    quiet = [r for c, r in chosen.items() if c.mode == "seven"]
    unit = "mA" if receiver.senses_current else "V"
    levels = f"{max(r.low for r in active.values()):.2f} / {min(r.high for r in active.values()):.2f} {unit}"
    glitch = max(r.idle or 0.0 for r in quiet) * 1e9
    crosstalk = f"{max(r.peak for r in quiet):.2f} {unit}, {glitch:.0f} ns"
    valid = [r.valid for r in active.values() if r.valid is not None]
    idle = [r.idle for r in chosen.values() if r.idle is not None]
    rise = [r.rise for r in active.values() if r.rise is not None]
    if not all(r.drives(receiver) for r in active.values()):
        return False, levels, "-", crosstalk, "-"
    times = f"{max(rise) * 1e9:.0f} / {max(valid) * 1e9:.0f} / {max(idle) * 1e9:.0f} ns"
    # The receiver must have a good level for as long as it took to come.
    width = 2 * max(*valid, *idle)
    return True, levels, times, crosstalk, f"{max(width * 1e6, 0.1):.1f} µs"


def _row(
    results: dict[Case, Result], receiver: Receiver, metres: float, driver: Driver
) -> str:  # fmt: skip
    good, levels, times, crosstalk, width = worst(results, receiver, metres, driver)
    verdict = "yes" if good else "**no**"
    if good and receiver.note:
        verdict = "yes, with care"
    return f"| {receiver.name} | {metres} m | {verdict} | {levels} | {times} | {crosstalk} | {width} |\n"


def markdown(results: dict[Case, Result], shorts: list[Short], extra: str) -> str:
    """The whole of RESULTS.md."""
    text = f"""\
# What the box drives

Written by `hardware/simulation/run.py` from {len(results)} ngspice runs: one line, eight together, and seven
around a quiet one; 74VHCT541A behind 330 Ω at {SUPPLIES_V[0]} V and {SUPPLIES_V[1]} V (the worst of both is shown);
multi-core cable of {", ".join(map(str, CABLES_M))} m. It is a simulation: measured on no hardware yet.

Levels are the highest low and the lowest high at the input of the receiver, for an opto-coupler the current of its LED.
Times are the rise from 10 to 90 %, and the time from the switching of the driver to a good high and a good low.
Crosstalk is the peak on a quiet low line while the seven others rise, and how long it lifts that line above the
receiver's low level: it counts as settling. The least width is twice the longest of these times; a receiver that looks
at fixed moments needs that and one of its sample periods more.

| receiver | cable | drives it | low / high | rise / good high / good low | crosstalk | least width |
| --- | --- | --- | --- | --- | --- | --- |
"""
    for receiver in RECEIVERS:
        for metres in CABLES_M:
            text += _row(results, receiver, metres, VHCT)
    clamp = next(r for r in RECEIVERS if r.key == "cmos33")
    text += f"""
{clamp.name}: {clamp.note}. A 3.3 V input that stands 5 V needs no care.
What it doesn't drive: an opto-coupler that needs 10 mA, and anything terminated with 50 Ω.

## Short circuits

At 5.25 V, with the strongest driver. "All" is all eight lines at once, for as long as one likes.

| driver | series | short of | to | one line | in all | limits | allowed | heat in each resistor |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""
    for short in shorts:
        d = short.driver
        text += (
            f"| {d.name} | {short.series:.0f} Ω | {'all' if short.all_lines else 'one'} "
            f"| {'5 V' if short.to_supply else 'ground'} | {short.one_a * 1e3:.1f} mA "
            f"| {short.total_a * 1e3:.0f} mA | {d.pin_limit_a * 1e3:.0f} and {d.package_limit_a * 1e3:.0f} mA "
            f"| {'yes' if short.allowed() else '**no**'} | {short.one_a**2 * short.series * 1e3:.0f} mW |\n"
        )
    text += """
That is why two chips drive four lines each: one chip would pass its limit with all lines shorted. "In all" contains the
LEDs that the same chip drives. The 74ACT541 of the breadboard may carry more, so that one is enough there.

## The driver of the breadboard

The 74VHCT541A is not made with pins for a breadboard (its data sheet has three packages, all for soldering on a surface), so the
breadboard has a 74ACT541 behind the same 330 Ω. On a cable it drives what the board drives, with edges up to a quarter
faster; without supply it is another thing, see the next table. Loose wires on the breadboard itself are not in this simulation.

| receiver | cable | drives it | low / high | rise / good high / good low | crosstalk | least width |
| --- | --- | --- | --- | --- | --- | --- |
"""
    for receiver in RECEIVERS:
        text += _row(results, receiver, BREADBOARD_CABLE_M, ACT)
    text += (
        extra
        + """

![One pulse at the receiver](pulse.svg)

![The rising edge at 10 m](edge.svg)
"""
    )
    return text


def _wave(case: Case, work: Path) -> tuple[np.ndarray, np.ndarray]:
    data = np.loadtxt(work / f"{case.name}.txt")
    return data[:, 0] * 1e6, data[:, 1]


def pictures(results: dict[Case, Result], work: Path, target: Path) -> None:
    """One pulse at three cable lengths, and the edge at 10 m for the receivers that it drives."""
    receiver = RECEIVERS[0]
    figure, axes = plt.subplots(figsize=(8, 3.6))
    for metres in CABLES_M:
        time, volts = _wave(Case(receiver, metres, 4.5, "eight"), work)
        axes.plot(time - EDGE * 1e6, volts, label=f"{metres} m")
    for level, name in ((receiver.high, "good high"), (receiver.low, "good low")):
        axes.axhline(level, color="0.6", linewidth=0.8, linestyle="--")
        axes.text(WIDTH * 1e6 + 2.6, level + 0.06, name, color="0.4", ha="right")
    axes.set(xlim=(-0.2, WIDTH * 1e6 + 2.6), xlabel="µs after the driver switches", ylabel="V")
    axes.set_title("TTL input, eight lines together, 4.5 V, pulse of 4 µs", loc="left")
    axes.legend(title="cable", loc="upper right", frameon=False)
    _save(figure, target / "pulse.svg")
    figure, axes = plt.subplots(figsize=(8, 3.6))
    for receiver in RECEIVERS:
        case = Case(receiver, 10.0, 4.5, "eight")
        if not receiver.senses_current and results[case].valid is not None:
            time, volts = _wave(case, work)
            axes.plot((time - EDGE * 1e6) * 1e3, volts, label=receiver.name)
    axes.set(xlim=(-100, 1200), xlabel="ns after the driver switches", ylabel="V")
    axes.set_title("Rising edge behind 10 m of cable, eight lines together, 4.5 V", loc="left")
    axes.legend(loc="lower right", frameon=False)
    _save(figure, target / "edge.svg")


def _save(figure: Figure, path: Path) -> None:
    for axes in figure.axes:
        axes.spines[["top", "right"]].set_visible(False)
    figure.tight_layout()
    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)
