"""The steps in which the box is built on a breadboard or on stripboard, and what a meter must read
after each.

U1 and the USB board come last, when every reading is right: all checks are made without them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import on_breadboard as breadboard
import on_stripboard as stripboard
from layout import End, Hole, Layout
from meter import Meter, ohms
from pins import DSUB_GROUNDS, DSUB_OF_LINE, LINES
from required_nets import (
    DRIVER_INPUT,
    DRIVER_OUTPUT,
    NANO_VARIANT,
    PICO_VARIANT,
    SERIES,
    Variant,
)

JOINED, OPEN = (0.0, 2.0), (100e3, math.inf)
TOLERANCE = 0.03  # 1 % parts and the meter
ARRAY_TOLERANCE = 0.06  # 2 or 5 % networks and the meter


@dataclass(frozen=True)
class Check:
    """Pairs of places, the range that each must read in ohms, and what is wrong if not."""

    what: str
    pairs: tuple[tuple[End, End], ...]
    limits: tuple[float, float]
    fault: str

    def holds(self, meter: Meter) -> bool:
        low, high = self.limits
        return all(low <= meter.ohms(start, end) <= high for start, end in self.pairs)


@dataclass(frozen=True)
class Step:
    """Parts and wires that are put in, by the start of their names, and the checks after them."""

    title: str
    parts: tuple[str, ...]
    wires: tuple[str, ...]
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class Places:
    """Where the probes go on one board: an end for each line, and the ends of both supplies."""

    module: Callable[[int], Hole]
    """The hole of a pin of the USB board."""
    driver: Callable[[int], Hole]
    """The hole of a pin of U1."""
    series: Callable[[int], End]
    """The driver's end of the resistor of a line."""
    line: Callable[[int], End]
    tap: Callable[[int], End]
    """The end of R20 to R27 that the readback takes."""
    plus: End
    minus: End
    plus_ends: tuple[End, ...]
    minus_ends: tuple[End, ...]
    has_wires_d: bool
    """Wires go from the driver to the resistors; on stripboard the strips do that."""


def on_breadboard(variant: Variant) -> Places:
    """The places on a breadboard; the rails' ends show that they are bridged."""
    module = variant.module
    supply = breadboard.module_hole(variant, module.pin(module.supply))
    plus_ends: tuple[End, ...] = (supply, breadboard.driver_hole(20))
    if supply[1] <= breadboard.E:
        rails = breadboard.LEFT_PLUS, breadboard.RIGHT_PLUS
        plus_ends += ((20, rails[0]), (50, rails[0]), (50, rails[1]))
    grounds = [breadboard.module_hole(variant, pin) for pin in module.grounds]
    return Places(
        lambda pin: breadboard.module_hole(variant, pin),
        breadboard.driver_hole,
        lambda n: (breadboard.line_row(n), breadboard.F),
        lambda n: (breadboard.line_row(n), breadboard.E),
        lambda n: (breadboard.line_row(n) + 1, breadboard.E),
        (20, breadboard.RIGHT_PLUS),
        (20, breadboard.RIGHT_MINUS),
        plus_ends,
        (
            *grounds, *(breadboard.driver_hole(pin) for pin in (1, 10, 19)),
            (20, breadboard.LEFT_MINUS), (50, breadboard.LEFT_MINUS), (50, breadboard.RIGHT_MINUS),
        ),
        has_wires_d=True,
    )  # fmt: skip


def on_stripboard() -> Places:
    """The places on stripboard: joints of the sockets, and holes of resistors."""
    module = PICO_VARIANT.module
    return Places(
        stripboard.pico_hole,
        stripboard.driver_hole,
        lambda n: (stripboard.line_strip(n), 26),
        lambda n: (stripboard.line_strip(n), 22),
        lambda n: (stripboard.line_strip(n), 16),
        (stripboard.PLUS, 37),
        (stripboard.GROUND, 37),
        (stripboard.pico_hole(module.pin(module.supply)), stripboard.driver_hole(20)),
        (
            *(stripboard.pico_hole(pin) for pin in module.grounds),
            *(stripboard.driver_hole(pin) for pin in (1, 10, 19)),
            *((stripboard.line_strip(n), 3) for n in LINES),
        ),
        has_wires_d=False,
    )  # fmt: skip


def _about(ohm: float, tolerance: float = TOLERANCE) -> tuple[float, float]:
    return ohm * (1 - tolerance), ohm * (1 + tolerance)


def _per_line(
    start: Callable[[int], End], end: Callable[[int], End]
) -> tuple[tuple[End, End], ...]:
    return tuple((start(n), end(n)) for n in LINES)


def steps(variant: Variant, places: Places) -> tuple[Step, ...]:
    """The steps for one USB board on one kind of board, in their order."""
    plus, minus, line, tap = places.plus, places.minus, places.line, places.tap

    def output(n: int) -> End:
        return places.module(int(variant.pin(f"OUT{n}")))

    def back(n: int) -> End:
        return places.module(int(variant.pin(f"BACK{n}")))

    def given(n: int) -> End:
        return places.driver(int(DRIVER_INPUT[n]))

    def driven(n: int) -> End:
        return places.driver(int(DRIVER_OUTPUT[n]))

    def ground(_: int) -> End:
        return minus

    def dsub(n: int) -> End:
        return DSUB_OF_LINE[n]

    unprotected = (
        "would put 5 V on a pin that stands 3.6 V"
        if variant.lower
        else "nothing would limit the current into the pin"
    )
    series, upper = ohms(SERIES), ohms(variant.upper)
    lower = ohms(variant.lower) if variant.lower else math.inf
    value = "wrong value ({} needed) or wrong row"
    resistors = [
        Check("RN3", _per_line(given, ground), _about(10e3, ARRAY_TOLERANCE), "RN3 the wrong way round or in the wrong row"),
        Check("R10 to R17", _per_line(places.series, line), _about(series), value.format(SERIES)),
        Check("R20 to R27", _per_line(line, tap), _about(upper), value.format(variant.upper)),
    ]  # fmt: skip
    wires = [
        Check("wires O", _per_line(output, given), JOINED, "wire O of that line"),
        Check("driver to line", _per_line(driven, line), _about(series), "wire D of that line, or its resistor" if places.has_wires_d else "its resistor, or an open joint"),
        Check(
            "wires B", _per_line(back, line), _about(upper),
            f"wire B of that line. **Near 0 Ω: it ends at the line itself, and {unprotected}**",
        ),
        Check("outputs", tuple((output(n), output(n + 1)) for n in range(7)), _about(20e3, ARRAY_TOLERANCE), "two wires O joined"),
    ]  # fmt: skip
    to_ground = between = OPEN
    if variant.lower:
        resistors.append(
            Check("R30 to R37", _per_line(tap, ground), _about(lower), value.format(variant.lower))
        )
        wires.append(
            Check("readback to ground", _per_line(back, ground), _about(lower), "wire B of that line")
        )  # fmt: skip
        to_ground, between = _about(upper + lower), _about(2 * (upper + lower))
    supplies = ((plus, minus),)
    return (
        Step(
            "Supply", ("C",), ("P",),
            (
                Check("+5 V", tuple((end, plus) for end in places.plus_ends), JOINED, "a wire P of +5 V"),
                Check("ground", tuple((end, minus) for end in places.minus_ends), JOINED, "a wire P of ground"),
                Check("+5 V against ground", supplies, OPEN, "a wire P on the other sign, C1 or C2 in the wrong row"),
            ),
        ),
        Step("Resistors", ("R",), (), tuple(resistors)),
        Step("Wires O, D and B", (), ("O", "D", "B"), tuple(wires)),
        Step(
            "D-sub", (), ("L", "G"),
            (
                Check("wires L", _per_line(dsub, line), JOINED, "wire L of that line, or its joint"),
                Check("grounds", tuple((pin, minus) for pin in DSUB_GROUNDS), JOINED, "wire G, or a joint"),
                Check("line to ground", _per_line(dsub, ground), to_ground, "a bridge of solder"),
                Check("line to line", tuple((dsub(n), dsub(n + 1)) for n in range(7)), between, "a bridge of solder between the two pins"),
                Check("+5 V against ground, again", supplies, OPEN, "two wires joined that should not be"),
            ),
        ),
    )  # fmt: skip


@dataclass(frozen=True)
class Build:
    """One box without a board: what is built, and how."""

    variant: Variant
    layout: Layout
    steps: tuple[Step, ...]


def builds() -> dict[str, Build]:
    """Every one that there are drawings of."""
    found = {
        f"breadboard, {v.module.name}": Build(v, breadboard.plan(v), steps(v, on_breadboard(v)))
        for v in (PICO_VARIANT, NANO_VARIANT)
    }
    found["stripboard, Pico"] = Build(
        PICO_VARIANT, stripboard.plan(), steps(PICO_VARIANT, on_stripboard())
    )
    return found


def after(build: Build, built: Layout, number: int) -> Layout:
    """What is in place after a step: U1 and the USB board are not."""
    parts = tuple(start for step in build.steps[: number + 1] for start in step.parts)
    wires = tuple(start for step in build.steps[: number + 1] for start in step.wires)
    return replace(
        built,
        parts=[part for part in built.parts if part.name.startswith(parts)],
        wires=[wire for wire in built.wires if wire.name.startswith(wires)],
    )


def failures(build: Build, built: Layout) -> list[str]:
    """The checks that a board does not pass, in their order."""
    found = []
    for number, step in enumerate(build.steps):
        meter = Meter(after(build, built, number))
        found += [f"step {number + 1}, {c.what}" for c in step.checks if not c.holds(meter)]
    return found
