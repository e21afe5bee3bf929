"""What a figure of an acceptance must be, with the source of each limit, and how it is judged."""

from __future__ import annotations

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
}
"""Supply voltages that a person reads from a meter, by the kind of box."""
