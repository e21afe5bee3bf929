"""What a single input did, as a simple function of the lines: for describing and for hints.

Where one or two faults do not explain everything, each input is looked at by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from itertools import combinations

from tallymark.common.lines.readback_wiring_model import ALL_HIGH, LINES, STRAIGHT

_MOST_JOINED = 4


class Shape(Enum):
    """Kinds of simple functions."""

    LOW = "always low"
    HIGH = "always high"
    LINE = "follows one line"
    AND = "high while all of some lines are high"
    OR = "high while any of some lines is high"
    OTHER = "no simple pattern"


@dataclass(frozen=True, slots=True)
class Pattern:
    """What an input did."""

    shape: Shape
    lines: tuple[int, ...] = ()
    """The lines on which it depends."""
    opposite: bool = False
    """It is low where `shape` says high."""

    @property
    def words(self) -> str:
        """For a table: "follows line 3"."""
        if self.shape in (Shape.LOW, Shape.HIGH):
            return str(self.shape.value)
        if self.shape is Shape.LINE:
            return f"{'opposite of' if self.opposite else 'follows'} line {self.lines[0]}"
        if self.shape is Shape.OTHER:
            return f"depends on lines {', '.join(map(str, self.lines))} in no simple way"
        joined = f" {self.shape.name.lower()} ".join(map(str, self.lines))
        return f"{'opposite of ' if self.opposite else ''}lines {joined}"


def pattern_of(vector: int, driven: int) -> Pattern:
    """The simplest function that fits a truth vector over the levels that were driven."""
    vector &= driven
    if vector == 0:
        return Pattern(Shape.LOW)
    if vector == driven:
        return Pattern(Shape.HIGH)
    for pattern, expected in _SIMPLE:
        if vector == expected & driven:
            return pattern
    return Pattern(Shape.OTHER, tuple(depends_on(vector, driven)))


def depends_on(vector: int, driven: int) -> list[int]:
    """Lines whose level makes a difference to an input."""
    found = []
    for line in range(LINES):
        step = 1 << line
        both = driven & (driven >> step) & ~STRAIGHT[line]  # driven with this line low and high
        if (vector ^ vector >> step) & both:
            found.append(line)
    return found


def _simple() -> Iterator[tuple[Pattern, int]]:
    for opposite in (False, True):
        flip = ALL_HIGH if opposite else 0
        for line, vector in enumerate(STRAIGHT):
            yield Pattern(Shape.LINE, (line,), opposite), vector ^ flip
    for count in range(2, _MOST_JOINED + 1):
        for lines in combinations(range(LINES), count):
            every, either = ALL_HIGH, 0
            for line in lines:
                every &= STRAIGHT[line]
                either |= STRAIGHT[line]
            for opposite in (False, True):
                flip = ALL_HIGH if opposite else 0
                yield Pattern(Shape.AND, lines, opposite), every ^ flip
                yield Pattern(Shape.OR, lines, opposite), either ^ flip


_SIMPLE = tuple(_simple())
