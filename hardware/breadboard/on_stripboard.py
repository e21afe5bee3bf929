"""The circuit with a Pico on stripboard: soldered, for a box that lasts a term.

Strips run from left to right and are numbered from the top; holes count from the left, seen from
the side of the parts. The Pico takes the upper strips. Below it each line has a strip of its own
with its three resistors in a row, and a cut under each. All wires go straight up and down.
"""

from __future__ import annotations

from collections.abc import Hashable
from itertools import pairwise

from layout import Hole, Layout, Part, Wire
from module_pinouts import PICO
from pins import DSUB_GROUNDS, DSUB_OF_LINE, LINES
from required_nets import DRIVER, DRIVER_INPUT, DRIVER_OUTPUT, PICO_VARIANT, PULL_DOWN, SERIES

STRIPS, HOLES = 34, 52
PICO_LEFT, PICO_RIGHT = 42, 49
DRIVER_STRIP = 22  # of pins 10 and 11: the notch is at the bottom
OUTPUTS, INPUTS = 28, 31  # holes of the driver's two rows
PULL_DOWN_PIN = {line: str(9 - line) for line in LINES}  # the driver's order is turned over
PLUS, GROUND = 33, 34  # strips of the supply
GROUND_HOLE = 2


def driver_hole(pin: int) -> Hole:
    """With the notch down, pins 11 to 20 go down on the left, pins 10 to 1 on the right."""
    return (DRIVER_STRIP + pin - 11, OUTPUTS) if pin > 10 else (DRIVER_STRIP + 10 - pin, INPUTS)


def line_strip(line: int) -> int:
    return driver_hole(int(DRIVER_OUTPUT[line]))[0]


def cuts() -> list[Hole]:
    """Where the copper is cut away, one hole each."""
    found = [(strip, 46) for strip in range(1, PICO.rows + 1)]
    found += [(strip, 30) for strip in range(DRIVER_STRIP, DRIVER_STRIP + 10)]
    found += [(line_strip(line), hole) for line in LINES for hole in (5, 18, 24)]
    return sorted(found)


class Stripboard:
    """What the strips join, with their cuts."""

    def __init__(self) -> None:
        self.cuts = cuts()

    def node(self, hole: Hole) -> Hashable:
        strip, number = hole
        if not (1 <= strip <= STRIPS and 1 <= number <= HOLES) or hole in self.cuts:
            raise ValueError(f"there is no copper at {self.name(hole)}")
        return strip, sum(1 for s, cut in self.cuts if s == strip and cut < number)

    def name(self, hole: Hole) -> str:
        return f"strip {hole[0]}, hole {hole[1]}"


def pico_hole(pin: int) -> Hole:
    side, row = PICO.usb_up(pin)
    return row, (PICO_LEFT, PICO_RIGHT)[side]


def plan() -> Layout:
    """Parts and wires."""
    variant = PICO_VARIANT
    parts = [
        Part("A1", "Pico", "module", {str(p): pico_hole(p) for p in range(1, 41)}),
        Part("U1", DRIVER, "chip", {str(p): driver_hole(p) for p in range(1, 21)}),
        Part(
            "RN3", PULL_DOWN, "sip",
            {"1": (driver_hole(10)[0], 32)}
            | {PULL_DOWN_PIN[n]: (driver_hole(int(DRIVER_INPUT[n]))[0], 32) for n in LINES},
        ),
        Part("C1", "100 nF", "disc", {"1": (DRIVER_STRIP + 9, 26), "2": (DRIVER_STRIP + 8, 26)}),
        Part("C2", "10 µF", "radial", {"1": (PLUS, 37), "2": (GROUND, 37)}),
    ]  # fmt: skip
    wires = [
        Wire("P1", "supply", (1, 51), (PLUS, 51), supply=True),
        Wire("P2", "supply", (3, 50), (GROUND, 50)),
        Wire("P3", "supply", (DRIVER_STRIP + 9, 25), (PLUS, 25), supply=True),
        Wire("P4", "supply", (DRIVER_STRIP + 8, 24), (GROUND, 24)),
        Wire("P5", "supply", (DRIVER_STRIP, 41), (GROUND, 41)),
        Wire("P6", "supply", (DRIVER_STRIP + 9, 43), (GROUND, 43)),
        Wire("P7", "supply", (3, GROUND_HOLE), (DRIVER_STRIP, GROUND_HOLE)),
        Wire("P9", "supply", (DRIVER_STRIP + 7, GROUND_HOLE), (GROUND, GROUND_HOLE)),
    ]
    for line in LINES:
        strip = line_strip(line)
        parts += [
            Part(f"R1{line}", SERIES, "resistor", {"1": (strip, 26), "2": (strip, 22)}),
            Part(f"R2{line}", variant.upper, "resistor", {"1": (strip, 20), "2": (strip, 16)}),
            Part(f"R3{line}", variant.lower, "resistor", {"1": (strip, 7), "2": (strip, 3)}),
        ]
        out, back = (int(variant.pin(f"{use}{line}")) for use in ("OUT", "BACK"))
        given = driver_hole(int(DRIVER_INPUT[line]))[0]
        # the topmost strip has the hole nearest to the Pico, so that no wire passes another's end
        wires += [
            Wire(f"O{line}", "output", (pico_hole(out)[0], 33 + line), (given, 33 + line), line),
            Wire(f"L{line}", "line", (strip, 21), DSUB_OF_LINE[line], line),
            Wire(f"B{line}", "readback", (strip, 8 + line), (pico_hole(back)[0], 8 + line), line),
        ]
    strips = range(DRIVER_STRIP, DRIVER_STRIP + 8)
    wires += [  # one bare wire on the copper: no strip may lie between two that it is soldered to
        Wire("P8", "bus", (upper, GROUND_HOLE - 1), (lower, GROUND_HOLE - 1))
        for upper, lower in pairwise(strips)
    ]
    wires += [Wire("G", "ground", (GROUND, 21), pin) for pin in DSUB_GROUNDS]
    return Layout(Stripboard(), parts, wires)
