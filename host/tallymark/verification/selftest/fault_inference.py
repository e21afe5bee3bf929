"""Which wiring faults explain what the readback inputs saw. Pure arithmetic, no box.

What input n sees is a truth vector: an integer whose bit c is its level while the box drives the
levels c (`lines.readback_wiring_model`). Every explanation by no fault, one fault or two is laid
out once as one long integer, so that comparing them all with an observation takes about a
millisecond.

Faults that no test from outside can tell apart look the same bit for bit. So the answer is a
list: all explanations with the fewest faults. A second fault can also hide entirely behind one
(anything behind an unplugged cable); those are listed as `hidden`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations

from tallymark.common.lines.readback_wiring_model import (
    ALL_HIGH,
    LINES,
    Fault,
    responses,
    single_faults,
)

Explanation = tuple[Fault, ...]
_WIDTH = 256


@dataclass(frozen=True, slots=True)
class Observation:
    """What was seen. `driven` has bit c set for each level c that was driven."""

    vectors: tuple[int, ...]
    """Truth vectors of the eight inputs; bits outside `driven` have no meaning."""
    driven: int = ALL_HIGH
    unsteady: int = 0
    """Mask of inputs whose repeated readings differed; they are left out of the comparison."""

    @classmethod
    def of_table(cls, table: dict[int, int], unsteady: int = 0) -> Observation:
        """From levels driven to levels read back."""
        vectors = [0] * LINES
        for driven, seen in table.items():
            for line in range(LINES):
                vectors[line] |= (seen >> line & 1) << driven
        return cls(tuple(vectors), sum(1 << driven for driven in table), unsteady)

    @property
    def steady(self) -> list[int]:
        """Inputs that take part in the comparison."""
        return [line for line in range(LINES) if not self.unsteady >> line & 1]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What explains an observation."""

    explanations: tuple[Explanation, ...]
    """All explanations with the fewest faults. `((),)`: nothing is wrong. Empty: neither one fault
    nor two of those that are known explain it."""
    hidden: tuple[Fault, ...]
    """Faults that may be there beside a single one and would not show."""

    @property
    def faultless(self) -> bool:
        """Whether the inputs saw what straight wiring shows."""
        return self.explanations == ((),)


def infer(seen: Observation) -> Diagnosis:
    """Finds every explanation with the fewest faults."""
    wanted, mask = _pack(seen.vectors), _mask(seen)
    wanted &= mask
    by_count = _catalogue()
    for count, known in enumerate(by_count):
        found = tuple(faults for faults, packed in known if packed & mask == wanted)
        if found:
            hidden = _hidden(found, wanted, mask) if count == 1 else ()
            return Diagnosis(found, hidden)
    return Diagnosis((), ())


def _hidden(found: Sequence[Explanation], wanted: int, mask: int) -> tuple[Fault, ...]:
    """Faults that change nothing beside a single one that explains everything.

    Those that would not show by themselves either (on lines not in use) are not meant.
    """
    ((_, straight),), singles, pairs = _catalogue()
    never_shown = {faults[0] for faults, packed in singles if (packed ^ straight) & mask == 0}
    named = {fault for faults in found for fault in faults}
    behind = {
        fault
        for faults, packed in pairs
        if packed & mask == wanted and named.intersection(faults)
        for fault in faults
    }
    return tuple(fault for fault in single_faults() if fault in behind - named - never_shown)


@cache
def _catalogue() -> tuple[tuple[tuple[Explanation, int], ...], ...]:
    """Every set of no, one and two faults, each with its packed responses."""
    singles = list(single_faults())
    return tuple(
        tuple((faults, _pack(responses(faults))) for faults in combinations(singles, count))
        for count in range(3)
    )


def _pack(vectors: Sequence[int]) -> int:
    packed = 0
    for vector in reversed(vectors):
        packed = packed << _WIDTH | vector
    return packed


def _mask(seen: Observation) -> int:
    return sum(seen.driven << (_WIDTH * line) for line in seen.steady)


def group(explanations: Iterable[Explanation]) -> list[tuple[tuple[Fault, ...], ...]]:
    """Puts explanations together that differ in one place only.

    Each group is a tuple of places; at each place one of several faults is the case, whatever
    holds at the others. {open 3, open 5}, {open 3, stuck low 5}, {stuck low 3, open 5} and
    {stuck low 3, stuck low 5} become one group with the places (open 3, stuck low 3) and
    (open 5, stuck low 5). Every explanation is in exactly one group.
    """
    listed = list(explanations)
    if not listed or len(listed[0]) == 0:
        return [()] if listed else []
    if len(listed[0]) == 1:
        return [(tuple(faults[0] for faults in part),) for part in _by_places(listed)]
    partners: dict[Fault, set[Fault]] = {}
    for one, other in listed:
        partners.setdefault(one, set()).add(other)
        partners.setdefault(other, set()).add(one)
    alike: dict[frozenset[Fault], list[Fault]] = {}
    for fault, others in partners.items():
        alike.setdefault(frozenset(others), []).append(fault)
    class_of = {fault: tuple(faults) for faults in alike.values() for fault in faults}
    groups = (
        (class_of[one], class_of[other])
        for one, other in listed
    )
    return list({frozenset(places): places for places in groups}.values())


def _by_places(singles: Sequence[Explanation]) -> list[list[Explanation]]:
    """Single faults by the lines that they concern."""
    places: dict[tuple[int, ...], list[Explanation]] = {}
    for faults in singles:
        places.setdefault(faults[0].lines, []).append(faults)
    return list(places.values())
