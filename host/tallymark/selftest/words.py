"""Says a wiring fault in a technician's words, with the pins to look at.

The pins are those of the pin assignment: on the D-sub connector line n is pin n + 2 and pins 18
to 25 are ground; on the board they depend on its kind.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tallymark.errors import describe_lines
from tallymark.wiring import Fault, Kind

GROUND_PINS = "18 to 25"

_OUTPUTS: Mapping[str, Sequence[str]] = {
    "nano": [f"D{line + 2}" for line in range(8)],
    "pico": [f"GP{line}" for line in range(8)],
}
_READBACK: Mapping[str, Sequence[str]] = {
    "nano": ["A0", "A1", "A2", "A3", "A4", "A5", "D10", "D11"],
    "pico": [f"GP{line + 8}" for line in range(8)],
}


@dataclass(frozen=True, slots=True)
class Words:
    """One finding in words."""

    what: str
    """What is wrong."""
    look: str
    """Where to look."""


def dsub_pin(line: int) -> int:
    """The pin of a line on the 25-pin D-sub connector."""
    return line + 2


def output_pin(board: str, line: int) -> str:
    """The board's own pin that drives a line; empty for a board without pins."""
    pins = _OUTPUTS.get(board)
    return pins[line] if pins else ""


def readback_pin(board: str, line: int) -> str:
    """The board's own pin that reads a line back; empty for a board without pins."""
    pins = _READBACK.get(board)
    return pins[line] if pins else ""


def way(board: str, line: int) -> str:
    """The way of a line's signal through the pins, from the board's output to its readback."""
    stops = [output_pin(board, line), f"D-sub pin {dsub_pin(line)}", readback_pin(board, line)]
    return " → ".join(stop for stop in stops if stop)


def say(places: Sequence[Fault], board: str) -> Words:
    """Words for what is wrong at one place, where one of several faults is the case."""
    said = [_say_one(fault, board) for fault in places]
    if len(said) == 1:
        return said[0]
    if {fault.kind for fault in places} == {Kind.OPEN, Kind.STUCK_LOW}:
        line = places[0].lines[0]
        return Words(
            f"Line {line} always reads low at its input: it is open, or shorted to ground",
            f"{way(board, line)}: first a broken wire, a cold solder joint or a bent pin, then a "
            f"short to ground (D-sub pins {GROUND_PINS})",
        )
    return Words(
        "either " + ", or ".join(_lower(words.what) for words in said),
        "; or ".join(words.look for words in said),
    )


def _say_one(fault: Fault, board: str) -> Words:
    lines = fault.lines
    ways = "; ".join(way(board, line) for line in lines)
    pins = " and ".join(str(dsub_pin(line)) for line in lines)
    both = describe_lines(sum(1 << line for line in lines)).capitalize()
    if fault.kind is Kind.OPEN:
        return Words(
            f"Line {lines[0]} is open: its level does not arrive",
            f"{ways}: a broken wire, a cold solder joint or a bent pin",
        )
    if fault.kind is Kind.STUCK_LOW:
        return Words(
            f"Line {lines[0]} is shorted to ground",
            f"{ways}: a short to ground (D-sub pins {GROUND_PINS})",
        )
    if fault.kind is Kind.STUCK_HIGH:
        return Words(
            f"Line {lines[0]} always reads high at its input: it is shorted to the supply",
            f"{ways}: a short to the supply pin of the board or to a line that is always high",
        )
    if fault.kind in (Kind.BRIDGED_AND, Kind.BRIDGED_OR):
        rule = (
            "each reads high only while both are driven high"
            if fault.kind is Kind.BRIDGED_AND
            else "each reads high while either is driven high"
        )
        return Words(
            f"{both} touch each other: {rule}",
            f"D-sub pins {pins}: a solder bridge or a strand of wire between them ({ways})",
        )
    if fault.kind is Kind.SWAPPED:
        return Words(
            f"{both} are swapped: each arrives at the other's input",
            f"D-sub pins {pins}: two wires have changed places ({ways})",
        )
    if fault.kind is Kind.REVERSED:
        return Words(
            "The connector is reversed: line 0 arrives at input 7, line 1 at input 6, and so on",
            "the connector or the ribbon cable is the wrong way round, or its pins were counted "
            "from the wrong end: line 0 belongs on D-sub pin 2, line 7 on pin 9",
        )
    if fault.kind is Kind.INVERTED:
        where = f"Line {lines[0]} arrives" if lines else "All lines arrive"
        return Words(
            f"{where} inverted: low when driven high, and high when driven low",
            (f"{ways}: " if lines else "between output and readback: ")
            + "an inverting buffer or optocoupler",
        )
    if fault.kind is Kind.UNPLUGGED:
        return Words(
            "No line arrives: every input reads low all the time",
            "is the loopback cable plugged in at both ends, and is its ground connected "
            f"(D-sub pins {GROUND_PINS})?",
        )
    return _say_slow(fault, ways)


def _say_slow(fault: Fault, ways: str) -> Words:
    line = fault.lines[0]
    return Words(
        f"Input {line} is slow: it rises {fault.rise_us} µs and falls {fault.fall_us} µs after "
        "the line",
        f"{ways}: a long or wet cable, a capacitor, a missing pull resistor, an optocoupler with "
        "too little current, or a bad contact",
    )


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
