"""What an ohmmeter reads between two places of a board, from its parts and wires alone.

Capacitors read as open, as they do once they are charged; chips and USB boards are taken as open,
so a reading is right only while they are not in place.
"""

from __future__ import annotations

import math
import re
from collections.abc import Hashable

import numpy as np

from layout import End, Layout, Part

UNITS = {"": 1.0, "k": 1e3}


def ohms(value: str) -> float:
    """A resistor's value, such as '330 Ω', '4.7 kΩ' or '8 × 10 kΩ' (each of the eight)."""
    match = re.fullmatch(r"([\d.]+) (k?)Ω", value.split("×")[-1].strip())
    if match is None:
        raise ValueError(f"{value} is not the value of a resistor")
    return float(match[1]) * UNITS[match[2]]


def _resistors(part: Part) -> list[tuple[str, str, float]]:
    if part.kind in ("resistor", "upright"):
        return [("1", "2", ohms(part.value))]
    if part.kind == "sip":
        return [("1", pin, ohms(part.value)) for pin in part.holes if pin != "1"]
    return []


def between(
    resistors: list[tuple[Hashable, Hashable, float]], start: Hashable, end: Hashable
) -> float:
    """Ohms between two nodes of resistors; infinite where nothing joins them."""
    if start == end:
        return 0.0
    edges = [edge for edge in resistors if edge[0] != edge[1]]
    reached: set[Hashable] = {start}
    while more := {m for x, y, _ in edges for n, m in ((x, y), (y, x)) if n in reached} - reached:
        reached |= more
    if end not in reached:
        return math.inf
    index = {node: at for at, node in enumerate(reached - {end})}
    conductance = np.zeros((len(index), len(index)))
    for x, y, value in edges:
        for n, m in ((x, y), (y, x)):
            if n in index:
                conductance[index[n], index[n]] += 1 / value
                if m in index:
                    conductance[index[n], index[m]] -= 1 / value
    current = np.zeros(len(index))
    current[index[start]] = 1.0
    return float(np.linalg.solve(conductance, current)[index[start]])


class Meter:
    """An ohmmeter at one board."""

    def __init__(self, built: Layout) -> None:
        self.place = built.copper()
        self.resistors = [
            (self.place(part.holes[first]), self.place(part.holes[second]), value)
            for part in built.parts
            for first, second, value in _resistors(part)
        ]

    def ohms(self, start: End, end: End) -> float:
        """Between two places; infinite where nothing joins them."""
        return between(self.resistors, self.place(start), self.place(end))
