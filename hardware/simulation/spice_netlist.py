"""The line as ngspice sees it: driver, series resistor, clamp, cable with eight coupled lines,
receiver.

Where the figures come from: the driver is a 74VHCT541A (at 4.5 V at least 3.80 V at -8 mA, at most
0.44 V at 8 mA, which is 87 and 55 ohm, from the data sheet of the 74VHC541 with the same outputs; 15
ohm is assumed for the strongest part, 25 mA per pin and 75 mA in all are allowed: MC74VHCT541A/D, rev. 5);
the breadboard has a 74ACT541 (at 4.5 V at least 3.76 V at -24 mA, 31 ohm; 50 mA per pin and 200 mA in all:
SCHS285A; 10 ohm assumed for the strongest part); the clamp has 3 pF; the cable is an ordinary multi-core one of about 90 ohm and 5 ns/m (0.45 uH/m, 45 pF/m to ground
and 8 pF/m to each neighbour). The receivers are the input circuits that a trigger input is commonly
made of.
"""

# ruff: noqa: E501 - tables and circuits are read unbroken

from __future__ import annotations

from dataclasses import dataclass

LINES = 8
SERIES_OHM = 330.0
QUIET = 3  # the line that is watched, in the middle of the cable
EDGE = 200e-9  # when the driver switches
WIDTH = 4e-6
END = 9e-6


@dataclass(frozen=True)
class Driver:
    """Output resistance, what the data sheet allows in all and for one pin, and the lines that one
    chip drives.
    """

    name: str
    high_ohm: float
    strongest_ohm: float
    pin_limit_a: float
    package_limit_a: float
    lines: int


VHCT = Driver("74VHCT541A", 87.0, 15.0, 25e-3, 75e-3, 4)
VHCT_ALONE = Driver("74VHCT541A, one chip", 87.0, 15.0, 25e-3, 75e-3, 8)
ACT = Driver("74ACT541 (breadboard)", 31.0, 10.0, 50e-3, 200e-3, 8)
LED_A = (5.25 - 1.8) / 2200  # one line LED, from the same chip


@dataclass(frozen=True)
class Receiver:
    """An input circuit, as ngspice lines with {n} for the line, {pin} and {gnd}; levels in volts at the input pin.

    `senses_current` says that the level is that of the LED current in milliamperes, read as volts.
    """

    key: str
    name: str
    circuit: str
    low: float
    high: float
    senses_current: bool = False
    note: str = ""


RECEIVERS = (
    Receiver("ttl", "TTL, 1.6 mA", "Rr{n} {pin} sup{n} 3k\nVr{n} sup{n} {gnd} 5\nCr{n} {pin} {gnd} 10p", 0.8, 2.0),
    Receiver(
        "cmos33", "3.3 V CMOS with clamp diodes",
        "Dr{n} {pin} sup{n} clamp\nDs{n} {gnd} {pin} clamp\nVr{n} sup{n} {gnd} 3.3\nCr{n} {pin} {gnd} 10p", 0.8, 2.0,
        note="the clamp diode carries current: only if the input allows it",
    ),
    Receiver("cmos5", "5 V CMOS", "Cr{n} {pin} {gnd} 10p\nRr{n} {pin} {gnd} 1meg", 1.35, 3.675),
    Receiver("pull10k", "10 kΩ pull-down, TTL level", "Rr{n} {pin} {gnd} 10k\nCr{n} {pin} {gnd} 20p", 0.8, 2.0),
    Receiver("pull1k", "1 kΩ pull-down, TTL level", "Rr{n} {pin} {gnd} 1k\nCr{n} {pin} {gnd} 20p", 0.8, 2.0),
    Receiver(
        "opto3", "opto-coupler behind 390 Ω, on at 3 mA",
        "Rr{n} {pin} led{n} 390\nDr{n} led{n} s{n} led\nVs{n} s{n} {gnd} 0\nCr{n} led{n} {gnd} 50p\nHs{n} sense{n} 0 Vs{n} 1k",
        0.25, 3.0, True,
    ),
    Receiver(
        "opto10", "opto-coupler behind 220 Ω, on at 10 mA",
        "Rr{n} {pin} led{n} 220\nDr{n} led{n} s{n} led\nVs{n} s{n} {gnd} 0\nCr{n} led{n} {gnd} 50p\nHs{n} sense{n} 0 Vs{n} 1k",
        0.25, 10.0, True,
    ),
    Receiver("ohm50", "50 Ω termination, TTL level", "Rr{n} {pin} {gnd} 50\nCr{n} {pin} {gnd} 20p", 0.8, 2.0),
)  # fmt: skip

CABLES_M = (0.3, 2.0, 10.0)
SUPPLIES_V = (4.5, 5.25)
MODES = {"one": "one line", "eight": "eight together", "seven": "seven, one quiet"}

MODELS = """\
.model clamp d(is=1e-14 n=1 rs=5 cjo=5p)
.model led d(is=1e-18 n=1.3 rs=3 cjo=20p)
"""


def cable(metres: float) -> str:
    """Eight lines beside each other over a shared return, as a ladder of short pieces."""
    pieces = far_end(metres)
    step = metres / pieces
    text = []
    for k in range(pieces):
        text.append(f"Lg{k} g{k} gm{k} {0.1e-6 * step:.4g}\nRg{k} gm{k} g{k + 1} {0.02 * step:.4g}")
        for n in range(LINES):
            text.append(f"L{n}_{k} c{n}_{k} m{n}_{k} {0.45e-6 * step:.4g}")
            text.append(f"R{n}_{k} m{n}_{k} c{n}_{k + 1} {0.15 * step:.4g}")
            text.append(f"C{n}_{k} c{n}_{k + 1} g{k + 1} {45e-12 * step:.4g}")
            if n:
                text.append(f"Cm{n}_{k} c{n - 1}_{k + 1} c{n}_{k + 1} {8e-12 * step:.4g}")
                text.append(f"K{n}_{k} L{n - 1}_{k} L{n}_{k} 0.3")
    return "\n".join(text) + f"\nRgn g0 0 0.001\n* last {pieces}\n"


def far_end(metres: float) -> int:
    """Number of pieces of the ladder: a metre each, 5 ns, which is short against edges of 100 ns
    and more.
    """
    return max(3, round(metres))


def deck(
    receiver: Receiver, metres: float, supply: float, mode: str, measures: str, data: str,
    driver: Driver = VHCT,
) -> str:  # fmt: skip
    """A whole transient run. `measures` are .meas lines, `data` the file for the waveforms or
    nothing.
    """
    last = far_end(metres)
    text = [f"* {receiver.key} {metres} m {supply} V {mode}", MODELS]
    for n in range(LINES):
        switches = mode == "eight" or (mode == "one") == (n == QUIET)
        wave = f"PULSE(0 {supply} {EDGE} 3n 3n {WIDTH} 1)" if switches else "DC 0"
        text.append(f"Vd{n} d{n} 0 {wave}")
        text.append(f"Ro{n} d{n} y{n} {driver.high_ohm}\nCo{n} y{n} 0 10p")
        text.append(f"Rs{n} y{n} c{n}_0 {SERIES_OHM}\nCt{n} c{n}_0 0 8p")
        text.append(f"Rp{n} c{n}_0 p{n} 1k\nCp{n} p{n} 0 8p")
        text.append(receiver.circuit.format(n=n, pin=f"c{n}_{last}", gnd=f"g{last}"))
    text.append(cable(metres))
    pin = f"c{QUIET}_{last},g{last}"
    text.append(f"Bp probe 0 V={f'v(sense{QUIET})' if receiver.senses_current else f'v({pin})'}")
    text.append(f"\n.options reltol=2e-3 method=gear\n.tran 5n {END}\n{measures}")
    if data:
        text.append(
            f".control\nrun\nset wr_singlescale\nwrdata {data} v(probe) v(c{QUIET}_0)\n.endc"
        )
    text.append(".end\n")
    return "\n".join(text)


def short_deck(driver: Driver, series: float, to_supply: bool, all_lines: bool) -> str:
    """An operating point with one line or all lines shorted, at the highest supply and the
    strongest driver.
    """
    text = [f"* short {driver.name} {series}", "Vcc vcc 0 5.25"]
    for n in range(driver.lines):
        shorted = all_lines or n == 0
        text.append(f"Vi{n} {'vcc' if not to_supply else '0'} x{n} 0")
        text.append(f"Ro{n} x{n} y{n} {driver.strongest_ohm}\nRs{n} y{n} l{n} {series}")
        if shorted:
            text.append(f"Vl{n} l{n} 0 {5.25 if to_supply else 0}")
        else:
            text.append(f"Rl{n} l{n} 0 1meg")
    total = "+".join(f"i(Vi{n})" for n in range(driver.lines))
    leds = 0.0 if driver is ACT else driver.lines * LED_A
    text.append(
        f".control\nop\nlet one = abs(i(Vi0))\nlet total = abs({total})+{leds:.6f}\nprint one total\n.endc\n.end\n"
    )
    return "\n".join(text)
