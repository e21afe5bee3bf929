"""Levels at rest: box and receiver with one of them switched off, the level at boot, and the readback
threshold. Operating points by ngspice; one part each, worst case of both ends.

Figures: 74VHCT541A inputs 0.8 and 2.0 V (data sheet); 5 uA into an output and 5 uA into an input at
5.5 V without supply (assumed: the data sheet promises the protection); RP2040 pull-down 50 to 80
kohm and ATmega328P 0.6 of its supply for a high (known figures, not looked up again).
The driver without power-off protection is a 74ACT541 as on version 1.0: a diode from each output to
its supply, and an output stage that pulls down as soon as the supply is over the threshold of its
transistors.
"""

# ruff: noqa: E501 - tables and circuits are read unbroken

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from line_measurements import ngspice
from spice_netlist import LINES, SERIES_OHM, VHCT

LEAK_A = 10e-6  # a driver output and a readback input without supply, 5 uA each
PULL_UPS_OHM = (1e3, 3e3, 10e3)
VIH, VIL = 2.0, 0.8


@dataclass(frozen=True)
class PowerOff:
    """One state of box and receiver: the level of a line, the current of one line in mA, the level of
    the supply that is off.
    """

    name: str
    protected: bool
    line_v: float
    line_ma: float
    rail_v: float


# What hangs on the 5 V of a box: boot divider, supply LED, USB board in reset; on the breadboard the USB board alone.
BOARD_LOADS = ("Rdiv rail 0 1290", "Rusb rail 0 2200", "Dled rail led clamp", "Rled led 0 1k")
BREADBOARD_LOADS = ("Rusb rail 0 2200",)


def box_off(
    source: str, ohm: float, protected: bool, work: Path, loads: tuple[str, ...] = BOARD_LOADS
) -> PowerOff:
    """The box without USB, eight lines held high by a receiver behind `ohm` at 5.25 V."""
    text = ["* box off", "Vr rec 0 5.25", ".model clamp d(is=1e-12 n=1.05 rs=3)",
            ".model pull nmos(level=1 vto=0.9 kp=20m)",
            *loads]  # fmt: skip
    for n in range(LINES):
        text += [f"Rp{n} rec l{n} {ohm}", f"Rs{n} l{n} d{n} {SERIES_OHM}"]
        if protected:
            text.append(f"Il{n} d{n} 0 {LEAK_A}")
            text.append(f"Ir{n} 0 rail {LEAK_A}")
        else:
            text += [f"Dc{n} d{n} rail clamp", f"Mn{n} d{n} rail 0 0 pull"]
    text.append(
        ".nodeset v(rail)=1\n.control\nop\nlet lv = v(l0)\nlet rail = v(rail)\nlet current = (5.25-v(l0))/"
        f"{ohm}\nprint lv rail current\n.endc\n.end\n"
    )
    got = ngspice(
        "\n".join(text),
        work / f"off-{source}-{ohm:.0f}-{protected}-{len(loads)}.cir".replace(" ", ""),
        {"lv", "rail", "current"},
    )
    return PowerOff(source, protected, got["lv"], got["current"] * 1e3, got["rail"])


def receiver_off(idle_high: bool, work: Path) -> PowerOff:
    """The box on, a receiver without supply whose inputs have diodes to that supply."""
    level = 5.25 if idle_high else 0.0
    text = ["* receiver off", ".model clamp d(is=1e-12 n=1.05 rs=3)", "Rload rail 0 100"]
    for n in range(LINES):
        text += [
            f"Vd{n} d{n} 0 {level}",
            f"Ro{n} d{n} y{n} {VHCT.strongest_ohm}",
            f"Rs{n} y{n} l{n} {SERIES_OHM}",
            f"Dc{n} l{n} rail clamp",
        ]
    text.append(
        ".control\nop\nlet lv = v(l0)\nlet rail = v(rail)\nlet current = abs(i(Vd0))\nprint lv rail current\n.endc\n.end\n"
    )
    got = ngspice(
        "\n".join(text), work / f"receiver-off-{idle_high}.cir", {"lv", "rail", "current"}
    )
    return PowerOff(
        "idle " + ("high" if idle_high else "low"),
        True,
        got["lv"],
        got["current"] * 1e3,
        got["rail"],
    )


def boot_high(
    upper: float, lower: float, series: float, supply: float, worst: int, work: Path
) -> float:
    """Level at a driver input with JP2 at 2-3 and the Pico in reset: `worst` -1 for the lowest, 1 for
    the highest. Every resistor is 5 % off in the bad direction.
    """
    pull = 50e3 if worst < 0 else 1e9  # a program can switch the pull-downs off
    up, low, ser = (
        upper * (1 - 0.05 * worst),
        lower * (1 + 0.05 * worst),
        series * (1 - 0.05 * worst),
    )
    text = ["* boot level", f"Vs s 0 {supply}", f"Ru s bias {up}", f"Rl bias 0 {low}"]
    for n in range(LINES):
        text += [
            f"Rn{n} bias o{n} {ser}",
            f"Rd{n} o{n} 0 {pull}",
            f"Ii{n} {f'o{n} 0' if worst < 0 else f'0 o{n}'} 2e-6",
        ]
    text.append(".control\nop\nlet level = v(o0)\nprint level\n.endc\n.end\n")
    return ngspice(
        "\n".join(text), work / f"boot-{upper:.0f}-{series:.0f}-{supply}-{worst}.cir", {"level"}
    )["level"]


def readback(supply: float, load: str, work: Path) -> tuple[float, float, float]:
    """High level of a line at the readback buffer, at the Pico and at the Nano. `load` hangs on `l`."""
    text = ["* readback", ".model led d(is=1e-18 n=1.3 rs=3)", f"Vd d 0 {supply}", f"Ro d y {VHCT.high_ohm}", f"Rs y l {SERIES_OHM * 1.02}", load,
            f"Vb b 0 {supply}", f"Rb b see {VHCT.high_ohm}", "R6 see pico 1020", "R7 pico 0 1470", "Ip pico 0 1e-6", "R5 see nano 1020", "In nano 0 1e-6",
            ".control\nop\nlet lv = v(l)\nlet pico = v(pico)\nlet nano = v(nano)\nprint lv pico nano\n.endc\n.end\n"]  # fmt: skip
    got = ngspice(
        "\n".join(text), work / f"readback-{supply}-{len(load)}.cir", {"lv", "pico", "nano"}
    )
    return got["lv"], got["pico"], got["nano"]


BOOT = {"version 1.0": (1e3, 1.5e3, 10e3), "version 1.1": (470.0, 820.0, 4.7e3)}
OPTO = "Rr l o 390\nDr o 0 led"


def power_off_cases(work: Path, loads: tuple[str, ...] = BOARD_LOADS) -> list[PowerOff]:
    """A box without USB behind pull-ups and a 5 V driver (behind 50 ohm), both kinds of driver."""
    cases = [(f"pull-up {ohm / 1e3:.0f} kΩ", ohm) for ohm in PULL_UPS_OHM] + [
        ("driver of 5 V", 50.0)
    ]
    return [
        box_off(name, ohm, protected, work, loads)
        for protected in (False, True)
        for name, ohm in cases
    ]


def markdown(work: Path) -> str:
    """The tables of levels at rest."""
    text = """
## One side without supply

Box without USB, receiver on, all eight lines held high by the receiver at 5.25 V:

| receiver | driver | line | current of one line | 5 V of the box | fed back |
| --- | --- | --- | --- | --- | --- |
"""
    breadboard = [c for c in power_off_cases(work, BREADBOARD_LOADS) if not c.protected]
    boards = power_off_cases(work)
    for case in breadboard + boards:
        name = "74VHCT541A" if case.protected else "74ACT541 (version 1.0)"
        if case in breadboard:
            name = "74ACT541 (breadboard)"
        fed = "no" if case.rail_v < 0.3 else "**yes**"
        text += f"| {case.name} | {name} | {case.line_v:.2f} V | {case.line_ma:.2f} mA | {case.rail_v:.2f} V | {fed} |\n"
    text += """
A box without USB lets go of the lines: behind pull-ups they read high. With idle low switch the box on first, the receiver second.

Box on, receiver without supply, inputs with diodes to that supply (100 Ω across it):

| lines of the box | line | current of one line | supply of the receiver |
| --- | --- | --- | --- |
"""
    for high in (False, True):
        case = receiver_off(high, work)
        text += f"| {case.name} | {abs(case.line_v):.2f} V | {abs(case.line_ma):.1f} mA | {abs(case.rail_v):.2f} V |\n"
    text += """
With idle high the box feeds a receiver that is off: switch the receiver on first, the box second. Its pull-ups hold the lines at
idle until then. With idle low nothing flows.

## Level at boot with JP2 at 2-3

The driver inputs need 2.0 V, the Pico stands 3.6 V. Parts 5 % off in the bad direction, pull-downs of the RP2040 on.

| version | lowest at 4.5 V | highest at 5.25 V | margin |
| --- | --- | --- | --- |
"""
    for name, values in BOOT.items():
        low, high = boot_high(*values, 4.5, -1, work), boot_high(*values, 5.25, 1, work)
        text += f"| {name} | {low:.2f} V | {high:.2f} V | {low - VIH:+.2f} V |\n"
    text += """
## Readback

A line that drives an opto-coupler is the lowest high there is. U2 has TTL inputs: 2.0 V are enough on either USB board.

| supply | line with an opto-coupler | margin at U2 | at the Pico (2.0 V needed, 3.6 V allowed) | at the Nano (0.6 of the supply needed) |
| --- | --- | --- | --- | --- |
"""
    for supply in (4.5, 5.25):
        line, pico, nano = readback(supply, OPTO, work)
        text += f"| {supply} V | {line:.2f} V | {line - VIH:+.2f} V (CMOS inputs of version 1.0: {line - 0.7 * supply:+.2f} V) | {pico:.2f} V | {nano:.2f} V ({0.6 * supply:.2f} V) |\n"
    return text
