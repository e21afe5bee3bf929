"""Parts and wires in the holes of a board, and which pins they join.

A board says which holes are joined by its copper. From that, the parts and the wires follow the
nets, as a meter would find them; `required_nets.py` says which nets there have to be.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from typing import Protocol

Hole = tuple[int, int]  # row from the top, column in pitches
Pin = tuple[str, str]  # part, number of the pin
End = Hole | str  # a hole, or a pin of the D-sub by its number
Net = frozenset[Pin]


class Board(Protocol):
    """What a board's copper joins, and what its holes are called."""

    def node(self, hole: Hole) -> Hashable: ...

    def name(self, hole: Hole) -> str: ...


@dataclass(frozen=True)
class Part:
    """A part and the hole of each of its pins, by number."""

    name: str
    value: str
    kind: str
    holes: dict[str, Hole]


@dataclass(frozen=True)
class Wire:
    """A wire from a hole to a hole, or to a pin of the D-sub (`end` is its number then)."""

    name: str
    use: str
    start: Hole
    end: End
    line: int | None = None
    supply: bool = False


@dataclass
class Layout:
    """Everything that is put on one board."""

    board: Board
    parts: list[Part] = field(default_factory=list)
    wires: list[Wire] = field(default_factory=list)

    def end_name(self, end: End) -> str:
        return f"D-sub pin {end}" if isinstance(end, str) else self.board.name(end)

    def copper(self) -> Callable[[End], Hashable]:
        """A function that says for a hole or a pin of the D-sub what it is joined with: places that
        copper and wires join have the same answer.
        """
        joined: dict[Hashable, Hashable] = {}

        def root(node: Hashable) -> Hashable:
            while joined.setdefault(node, node) != node:
                node = joined[node]
            return node

        def node_of(end: End) -> Hashable:
            return ("J1", end) if isinstance(end, str) else self.board.node(end)

        for wire in self.wires:
            joined[root(node_of(wire.start))] = root(node_of(wire.end))
        return lambda end: root(node_of(end))

    def nets(self) -> set[Net]:
        """Pins that are joined, as sets of two pins and more."""
        place = self.copper()
        nets: dict[Hashable, set[Pin]] = defaultdict(set)
        for part in self.parts:
            for number, hole in part.holes.items():
                nets[place(hole)].add((part.name, number))
        for wire in self.wires:
            if isinstance(wire.end, str):
                nets[place(wire.end)].add(("J1", wire.end))
        return {frozenset(pins) for pins in nets.values() if len(pins) > 1}

    def holes_used_twice(self) -> list[str]:
        """Names of holes that would have to take two legs."""
        legs: dict[Hole, set[str]] = defaultdict(set)
        for part in self.parts:
            for number, hole in part.holes.items():
                legs[hole].add(f"{part.name} pin {number}")
        for wire in self.wires:
            for end in (wire.start, wire.end):
                if not isinstance(end, str):
                    legs[end].add(wire.name)
        return [
            f"{self.board.name(hole)}: {', '.join(sorted(who))}"
            for hole, who in legs.items()
            if len(who) > 1
        ]


def differences(found: Iterable[Net], wanted: Iterable[Net]) -> list[str]:
    """What is joined and must not be, and what is not joined but must be."""

    def words(net: Net) -> str:
        return " = ".join(sorted(f"{part}.{pin}" for part, pin in net))

    found, wanted = set(found), set(wanted)
    return [f"joined: {words(net)}" for net in found - wanted] + [
        f"not joined: {words(net)}" for net in wanted - found
    ]
