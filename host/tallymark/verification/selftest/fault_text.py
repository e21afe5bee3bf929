"""Says a wiring fault in a technician's words, with the pins to look at.

The pins are those of the pin assignment: on the D-sub connector line n is pin n + 2 and pins 18
to 25 are ground; on the board they depend on its kind.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tallymark.common.errors import describe_lines
from tallymark.common.lines.readback_wiring_model import Fault, Kind

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
class FaultText:
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


def fault_text(places: Sequence[Fault], board: str) -> FaultText:
    """Words for what is wrong at one place, where one of several faults is the case."""
    said = [_say_one(fault, board) for fault in places]
    if len(said) == 1:
        return said[0]
    if {fault.kind for fault in places} == {Kind.OPEN, Kind.STUCK_LOW}:
        line = places[0].lines[0]
        return FaultText(
            f"Input {line} always reads low: its line is open, or shorted to ground",
            f"{way(board, line)}: first for a broken wire, a cold solder joint or a bent pin, then "
            f"for a short to ground (D-sub pins {GROUND_PINS})",
        )
    return FaultText(
        "either " + ", or ".join(_lower(words.what) for words in said),
        "; or ".join(words.look for words in said),
    )


def joined_fault_text(faults: Sequence[Fault], board: str) -> FaultText:
    """Words for three or more lines that touch, where it can't be told which touches which."""
    lines = sorted({line for fault in faults for line in fault.lines})
    named = describe_lines(sum(1 << line for line in lines)).capitalize()
    return FaultText(
        f"{named} are bridged: {_bridge_rule(faults[0].kind, 'all of them are', 'any is')}",
        f"D-sub pins {_listed([dsub_pin(line) for line in lines])}: solder bridges or strands of "
        f"wire between them{_through(lines, board)}",
    )


def _say_one(fault: Fault, board: str) -> FaultText:
    lines = fault.lines
    ways = "; ".join(way(board, line) for line in lines)
    pins = _listed([dsub_pin(line) for line in lines])
    both = describe_lines(sum(1 << line for line in lines)).capitalize()
    if fault.kind is Kind.OPEN:
        return FaultText(
            f"Input {lines[0]} always reads low: its line is open",
            f"{ways}: a broken wire, a cold solder joint or a bent pin",
        )
    if fault.kind is Kind.STUCK_LOW:
        return FaultText(
            f"Input {lines[0]} always reads low: its line is shorted to ground",
            f"{ways}: a short to ground (D-sub pins {GROUND_PINS})",
        )
    if fault.kind is Kind.STUCK_HIGH:
        return FaultText(
            f"Input {lines[0]} always reads high: its line is shorted to the supply",
            f"{ways}: a short to the supply of the board, or to a line that is always high",
        )
    if fault.kind in (Kind.BRIDGED_AND, Kind.BRIDGED_OR):
        return FaultText(
            f"{both} are bridged: {_bridge_rule(fault.kind, 'both are', 'either is')}",
            f"D-sub pins {pins}: a solder bridge or a strand of wire between them"
            + _through(lines, board),
        )
    if fault.kind is Kind.SWAPPED:
        return FaultText(
            f"{both} are swapped: each arrives at the other's input",
            f"D-sub pins {pins}: two wires are swapped{_through(lines, board)}",
        )
    if fault.kind is Kind.REVERSED:
        return FaultText(
            "The connector is reversed: line 0 arrives at input 7, line 1 at input 6, and so on",
            "the connector or the ribbon cable is reversed, or its pins were counted from the "
            "wrong end: line 0 belongs on D-sub pin 2, line 7 on pin 9",
        )
    if fault.kind is Kind.INVERTED:
        where = f"Input {lines[0]} is inverted" if lines else "All inputs are inverted"
        return FaultText(
            f"{where}: high while its line is low, and low while it is high",
            (f"{ways}: " if lines else "everything between output and readback: ")
            + "an inverting buffer or optocoupler",
        )
    if fault.kind is Kind.UNPLUGGED:
        return FaultText(
            "No line arrives: every input reads low all the time",
            "the loopback cable: is it plugged in at both ends, and is its ground connected (D-sub "
            f"pins {GROUND_PINS})",
        )
    return _say_slow(fault, ways)


def _bridge_rule(kind: Kind, all_are: str, any_is: str) -> str:
    if kind is Kind.BRIDGED_AND:
        return f"each reads high only while {all_are} driven high"
    return f"each reads high while {any_is} driven high"


def _through(lines: Sequence[int], board: str) -> str:
    """The ways of some lines in brackets, where the board has pins to name."""
    if not output_pin(board, 0):
        return ""
    return f" ({'; '.join(way(board, line) for line in lines)})"


def _listed(pins: Sequence[int]) -> str:
    *first, last = ("", *(str(pin) for pin in pins))
    return f"{', '.join(first[1:])} and {last}" if first[1:] else last


def short(fault: Fault) -> str:
    """A few words, for lists: "stuck high at 3"."""
    kind = fault.kind.value.replace("-", " ")
    return f"{kind} at {' and '.join(map(str, fault.lines))}" if fault.lines else kind


def _say_slow(fault: Fault, ways: str) -> FaultText:
    line = fault.lines[0]
    return FaultText(
        f"Input {line} is slow: it rises {fault.rise_us} µs and falls {fault.fall_us} µs after "
        "the line",
        f"{ways}: a long or wet cable, a capacitor, a missing pull resistor, an optocoupler with "
        "too little current, or a bad contact",
    )


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
