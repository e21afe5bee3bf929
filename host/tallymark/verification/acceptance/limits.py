"""What a figure of an acceptance must be, with the source of each limit, and how it is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """What is known of a figure against its limits."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_KNOWN = "not known"
    """The figure may be wrong by so much that both are possible."""


@dataclass(frozen=True, slots=True)
class Limit:
    """The range of a figure, ends included, in `unit`, and the document that it is from."""

    what: str
    least: float
    most: float
    unit: str
    source: str


def judge(value: float, bound: float, limit: Limit) -> Verdict:
    """Passed or failed only if that holds for every value within `bound` (0 or more) of `value`.

    A bound that is not a number or is negative, or a value that is not a number: not known.
    """
    if not bound >= 0 or value != value:
        return Verdict.NOT_KNOWN
    low, high = value - bound, value + bound
    if limit.least <= low and high <= limit.most:
        return Verdict.PASSED
    if high < limit.least or low > limit.most:
        return Verdict.FAILED
    return Verdict.NOT_KNOWN


_BOARD = "hardware/ASSEMBLY.md, First power-up"
_HOLES = "hardware/breadboard/{}.md, First power-up"

SUPPLY: dict[str, tuple[Limit, ...]] = {
    "board-pico": (
        Limit("+5V to GND", 4.5, 5.25, "V", _BOARD),
        Limit("VIO to GND", 3.2, 3.4, "V", _BOARD),
    ),
    "board-nano": (Limit("+5V to GND", 4.4, 5.25, "V", _BOARD),),
    "isolated": (
        Limit("+5V to GND", 4.5, 5.25, "V", _BOARD),
        Limit("+5VI to GNDI", 4.75, 5.25, "V", _BOARD),
    ),
    "breadboard-pico": (Limit("+ rail to − rail", 4.4, 5.25, "V", _HOLES.format("PICO")),),
    "breadboard-nano": (Limit("+ rail to − rail", 4.4, 5.25, "V", _HOLES.format("NANO")),),
    "stripboard-pico": (
        Limit("Strip 33 to strip 34", 4.4, 5.25, "V", _HOLES.format("STRIPBOARD")),
    ),
}
"""Supply voltages that a person reads from a meter, by the kind of box."""


def fits(kind: str, board: str) -> bool:
    """Whether a kind of box has this board."""
    return board == ("pico" if kind == "isolated" else kind.rpartition("-")[2])


_PAGE = "host/tallymark/verification/acceptance/limits.py"

CLOCK_TOLERANCE = {"pico": 100e-6, "virtual": 100e-6}
"""How far the clock of a good box may be off, by board, as a fraction; `RESONATOR` for others."""
RESONATOR = 0.01
WITNESS_TOLERANCE = {"pico": 60e-6, "virtual": 60e-6}
"""How far the clock of a witness is taken to be off at most, by board; `RESONATOR` for others. The
crystal that the RP2040's maker recommends: 30 ppm as made, 30 ppm over temperature."""
WITNESS_LATE_US = {"pico": 2.0, "virtual": 2.0}
"""How late a witness may date an edge, by board; `NANO_LATE_US` for others."""
NANO_LATE_US = 22.0
"""Measured in simulation (firmware/boards/nano/README.md)."""
EDGE_US = 3.0
HOLD_US = 1_000.0
TOLD_US = 1_000.0
CUT_US = 100_000.0


def clock_tolerance(board: str) -> float:
    """How far the clock of a good box may be off, as a fraction."""
    return CLOCK_TOLERANCE.get(board, RESONATOR)


def width_limit(what: str, width_us: float, board: str) -> Limit:
    """The width of a pulse, on a clock without error."""
    off = EDGE_US + width_us * clock_tolerance(board)
    return Limit(what, width_us - off, width_us + off, "µs", _PAGE)


def hold_limit(limit_us: float, board: str) -> Limit:
    """How long a held code lasts when the computer is silent."""
    off = HOLD_US + limit_us * clock_tolerance(board)
    return Limit("held code until idle", limit_us - off, limit_us + off, "µs", _PAGE)


def clock_limit(board: str) -> Limit:
    """The rate of the clock."""
    ppm = clock_tolerance(board) * 1e6
    return Limit("clock, difference to that of the witness", -ppm, ppm, "ppm", _PAGE)


def count_limit(what: str) -> Limit:
    """Something that must not occur."""
    return Limit(what, 0, 0, "", _PAGE)


NO_LEAST = -math.inf
"""For what can't be below 0, so that a figure of 0 passes whatever its bound."""
SKEW_RISE = Limit("skew of the lines, to active", NO_LEAST, EDGE_US, "µs", _PAGE)
SKEW_FALL = Limit("skew of the lines, to idle", NO_LEAST, EDGE_US, "µs", _PAGE)
TOLD = Limit("edge time told by the box, against the witness", NO_LEAST, TOLD_US, "µs", _PAGE)
CUT = Limit("power cut, first line low to last line low", NO_LEAST, CUT_US, "µs", _PAGE)
