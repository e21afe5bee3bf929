"""The result of a self-test: as values and as a dictionary for JSON.

Keys of the dictionary are the names of the fields; they stay as they are within a major version.
Times are in microseconds, as each name says.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import Enum
from itertools import combinations
from typing import Any

from tallymark.common.lines.readback_wiring_model import Fault
from tallymark.verification.selftest.fault_inference import Diagnosis, group
from tallymark.verification.selftest.fault_text import fault_text, joined_fault_text


class Verdict(Enum):
    """What the self-test comes to."""

    FINE = "fine"
    """Wiring, edges and widths are as they should be."""
    FAULTS = "faults"
    """Something is wrong, and the faults are named."""
    UNEXPLAINED = "unexplained"
    """Something is wrong that one or two known faults don't explain; it is described instead."""


@dataclass(frozen=True, slots=True)
class Place:
    """Something that is wrong at one place.

    `needs` of the `faults` are there (nearly always one), and nothing tells which.
    """

    faults: tuple[str, ...]
    """As `lines.readback_wiring_model` writes them, for instance "open:3"; besides, from measured
    times, "unsteady:3", "stray:3", "missed:3" and "width"."""
    what: str
    """What is wrong, in words."""
    look: str
    """Where to look, with pins."""
    needs: int = 1


@dataclass(frozen=True, slots=True)
class Input:
    """What one readback input did."""

    line: int
    in_use: bool
    saw: str
    """In words: "follows line 3"."""
    right: bool
    rise_us: int | None
    """How long after the line it rose at the latest; None: it never rose."""
    fall_us: int | None
    slow: bool
    unsteady: bool
    stray_edges: int
    """Changes that nothing driven explains."""


@dataclass(frozen=True, slots=True)
class Width:
    """Widths of a pulse on all lines in use, by its own capture."""

    asked_us: int
    least_us: int | None
    """Of all inputs without a fault; None: no such input saw it."""
    longest_us: int | None
    missed_by: tuple[int, ...]
    """Inputs that should have seen it and did not."""


@dataclass(frozen=True, slots=True)
class Latency:
    """From the call in this program to the edge on the lines, by the clock estimate."""

    markers: int
    least_us: float
    median_us: float
    longest_us: float
    bound_us: float
    """By how much each of these may be wrong."""


@dataclass(frozen=True, slots=True)
class Report:
    """Everything that a self-test found."""

    verdict: Verdict
    started_utc: str
    seconds: float
    port: str
    board: str
    serial: str
    name: str
    firmware: str
    lines_in_use: tuple[int, ...]
    idle: str
    codes_tested: int
    codes_altered: int
    """Codes that another code arrived for."""
    altered_example: tuple[int, int] | None
    """One code that was sent, and what arrived for it."""
    explanations: tuple[tuple[Place, ...], ...]
    """Each is enough by itself to explain the levels; all of its places belong to it. None: either
    the levels are right, or the verdict is UNEXPLAINED."""
    symptoms: tuple[Place, ...]
    """For UNEXPLAINED: what each wrong input points to by itself. Hints, not a proof."""
    hidden_faults: tuple[str, ...]
    """Faults that may be there as well: those named would hide them."""
    measured: tuple[Place, ...]
    """What times and repeats show: slow edges, unsteady inputs, wrong widths."""
    inputs: tuple[Input, ...]
    widths: tuple[Width, ...]
    width_error_us: int | None
    """The largest error of a width; None: no input without a fault was left to measure it."""
    latency: Latency | None
    edges_lost: int
    """Captured edges that the box or the link lost: measured times are incomplete."""

    @property
    def fine(self) -> bool:
        """Whether the box and its wiring can be used."""
        return self.verdict is Verdict.FINE

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {**asdict(self), "verdict": self.verdict.value}


def places_of(diagnosis: Diagnosis, board: str) -> tuple[tuple[Place, ...], ...]:
    """The explanations of a diagnosis in words, those that differ in one place together."""
    if diagnosis.faultless:
        return ()
    joined = _joined(diagnosis)
    if joined:
        words = joined_fault_text(joined, board)
        return ((Place(tuple(map(str, joined)), words.what, words.look, needs=2),),)
    return tuple(
        tuple(place_of(faults, board) for faults in places)
        for places in group(diagnosis.explanations)
    )


def _joined(diagnosis: Diagnosis) -> list[Fault]:
    """Three bridges of which any two explain everything: three lines touch."""
    pairs = {frozenset(faults) for faults in diagnosis.explanations}
    faults = sorted(frozenset().union(*pairs), key=str)
    lines = {line for fault in faults for line in fault.lines}
    kinds = {fault.kind for fault in faults}
    if len(faults) == 3 == len(lines) and len(kinds) == 1 and (
        pairs == {frozenset(pair) for pair in combinations(faults, 2)}
    ):
        return faults
    return []


def place_of(faults: tuple[Fault, ...], board: str) -> Place:
    """Words for one place."""
    words = fault_text(faults, board)
    return Place(tuple(map(str, faults)), words.what, words.look)
