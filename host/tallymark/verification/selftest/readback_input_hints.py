"""What each wrong input points to, for wirings that one or two faults do not explain.

Each input is read by itself, so that this is a list of hints and not a proof.
"""

from __future__ import annotations

from tallymark.common.lines.readback_wiring_model import Fault, Kind
from tallymark.verification.selftest.fault_inference import Observation
from tallymark.verification.selftest.fault_text import dsub_pin, way
from tallymark.verification.selftest.readback_boolean_functions import Pattern, Shape, pattern_of
from tallymark.verification.selftest.report import Place, place_of


def input_hints(seen: Observation, board: str) -> tuple[Place, ...]:
    """One place for each input that is wrong, or for several that belong together."""
    patterns = {line: pattern_of(seen.vectors[line], seen.driven) for line in seen.steady}
    places = {
        place: None
        for line, pattern in patterns.items()
        if pattern != Pattern(Shape.LINE, (line,))
        for place in (_symptom(line, pattern, patterns, board),)
    }
    return tuple(places)


def _symptom(line: int, pattern: Pattern, all_of_them: dict[int, Pattern], board: str) -> Place:
    shape, lines = pattern.shape, pattern.lines
    if shape is Shape.LOW:
        return place_of((Fault(Kind.OPEN, (line,)), Fault(Kind.STUCK_LOW, (line,))), board)
    if shape is Shape.HIGH:
        return place_of((Fault(Kind.STUCK_HIGH, (line,)),), board)
    if shape is Shape.LINE and lines == (line,):
        return place_of((Fault(Kind.INVERTED, (line,)),), board)
    if shape is Shape.LINE and not pattern.opposite:
        (other,) = lines
        if all_of_them.get(other) == Pattern(Shape.LINE, (line,)):
            return place_of((Fault(Kind.SWAPPED, (line, other)),), board)
    if shape in (Shape.AND, Shape.OR) and len(lines) == 2 and line in lines and (
        not pattern.opposite
    ):
        kind = Kind.BRIDGED_AND if shape is Shape.AND else Kind.BRIDGED_OR
        return place_of((Fault(kind, lines),), board)
    pins = ", ".join(str(dsub_pin(number)) for number in sorted({line, *lines}))
    return Place(
        (f"pattern:{line}",),
        f"Input {line} does not follow its line; it {_verb(pattern)}",
        f"D-sub pins {pins}: wires on the wrong pins, or wires that touch ({way(board, line)})",
    )


def _verb(pattern: Pattern) -> str:
    if pattern.shape is Shape.OTHER or (pattern.shape is Shape.LINE and not pattern.opposite):
        return pattern.words
    return f"shows the {pattern.words}" if pattern.opposite else f"shows {pattern.words} together"
