"""A model of the wires between the eight lines and the eight readback inputs.

What an input sees is a *truth vector*: an integer of 256 bits whose bit c is the level at the
input while the box drives the levels c. A fault is then a few operations on integers, and
thousands of wirings can be compared in milliseconds.

Faults take effect in the order of the signal's way, whatever their order in a list:

1. bridges at the drivers, first wired-and, then wired-or; bridges that share a line are one group;
2. swapped lines, in the order of their numbers, then the reversed connector (n to 7 - n);
3. inversion at input n, or of all; both together cancel out at that input;
4. open lines and the unplugged cable: the input reads low, because of its pull-down;
5. stuck high, then stuck low: a short to ground is stronger;
6. slow edges, at the input.

A text for each fault: `open:3`, `stuck-high:3`, `stuck-low:3`, `bridged-and:1,4`,
`bridged-or:1,4`, `swapped:1,4`, `reversed`, `inverted:3`, `inverted`, `unplugged`, and
`slow:5,200us,300us` (line, rise and fall time).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from itertools import combinations

from tallymark.common.errors import BadValue
from tallymark.common.formatting import parse_time, time_value

LINES = 8
ALL_HIGH = (1 << 256) - 1
"""Truth vector of an input that is always high."""
STRAIGHT: tuple[int, ...] = tuple(
    sum(1 << code for code in range(256) if code >> line & 1) for line in range(LINES)
)
"""Truth vectors of eight inputs with nothing wrong: input n sees line n."""
SLOWEST_US = 1_000_000


class Kind(Enum):
    """Kinds of faults, by the word that names them in texts."""

    OPEN = "open"
    STUCK_HIGH = "stuck-high"
    STUCK_LOW = "stuck-low"
    BRIDGED_AND = "bridged-and"
    BRIDGED_OR = "bridged-or"
    SWAPPED = "swapped"
    REVERSED = "reversed"
    INVERTED = "inverted"
    UNPLUGGED = "unplugged"
    SLOW = "slow"


FAULTS: dict[Kind, tuple[str, str]] = {
    Kind.OPEN: ("open:{n}", "line {n} is broken, its input reads low"),
    Kind.STUCK_HIGH: ("stuck-high:{n}", "line {n} is shorted to the supply"),
    Kind.STUCK_LOW: ("stuck-low:{n}", "line {n} is shorted to ground"),
    Kind.BRIDGED_AND: (
        "bridged-and:{n},{m}",
        "lines {n} and {m} are bridged, each is read high only while both are driven high",
    ),
    Kind.BRIDGED_OR: (
        "bridged-or:{n},{m}",
        "lines {n} and {m} are bridged, each is read high while either is driven high",
    ),
    Kind.SWAPPED: ("swapped:{n},{m}", "lines {n} and {m} are swapped"),
    Kind.REVERSED: ("reversed", "the plug is reversed, line 0 arrives at input 7"),
    Kind.INVERTED: ("inverted:{n}", "line {n} is inverted; without a number, all lines are"),
    Kind.UNPLUGGED: ("unplugged", "the cable is off, every input reads low"),
    Kind.SLOW: (
        "slow:{n},{rise},{fall}",
        "line {n} is slow, its rising edges by {rise} and its falling edges by {fall}",
    ),
}
"""How a fault of each kind is written, and what it is, in words."""

_PAIRS = (Kind.BRIDGED_AND, Kind.BRIDGED_OR, Kind.SWAPPED)
_SINGLE = (Kind.OPEN, Kind.STUCK_HIGH, Kind.STUCK_LOW, Kind.SLOW)
_WHOLE = (Kind.REVERSED, Kind.UNPLUGGED)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: its kind, the lines that it concerns (none: all), and times for a slow edge."""

    kind: Kind
    lines: tuple[int, ...] = ()
    rise_us: int = 0
    fall_us: int = 0

    def __post_init__(self) -> None:
        count = len(self.lines)
        wanted = {**dict.fromkeys(_PAIRS, (2,)), **dict.fromkeys(_SINGLE, (1,)),
                  **dict.fromkeys(_WHOLE, (0,)), Kind.INVERTED: (0, 1)}[self.kind]
        if count not in wanted:
            raise BadValue(f"'{self.kind.value}' needs {' or '.join(map(str, wanted))} line "
                           f"numbers, not {count}. {_EXAMPLES}")
        if any(not 0 <= line < LINES for line in self.lines):
            raise BadValue(f"Lines go from 0 to 7, not {', '.join(map(str, self.lines))}.")
        if len(set(self.lines)) != count:
            raise BadValue(f"'{self.kind.value}' needs two different lines.")
        if list(self.lines) != sorted(self.lines):
            object.__setattr__(self, "lines", tuple(sorted(self.lines)))
        if not (0 <= self.rise_us <= SLOWEST_US and 0 <= self.fall_us <= SLOWEST_US):
            raise BadValue(f"Rise and fall times go from 0 to {SLOWEST_US} µs.")

    @classmethod
    def parse(cls, text: str) -> Fault:
        """Reads a text such as `open:3` or `slow:5,200us,300us`. BadValue if it can't be read."""
        word, _, rest = text.strip().partition(":")
        parts = rest.split(",") if rest.strip() else []
        try:
            kind = Kind(word.strip().lower())
            lines = tuple(int(part) for part in (parts[:1] if kind is Kind.SLOW else parts))
        except ValueError:
            raise BadValue(f"'{text}' is not a wiring fault. {_EXAMPLES}") from None
        if kind is not Kind.SLOW:
            return cls(kind, lines)
        if len(parts) != 3:
            raise BadValue(f"'{text}' needs a line, a rise and a fall time. {_EXAMPLES}")
        try:
            return cls(kind, lines, parse_time(parts[1]), parse_time(parts[2]))
        except ValueError as error:
            raise BadValue(f"'{text}' is not a wiring fault: {error}.") from None

    def describe(self) -> str:
        """What the fault is, in words."""
        if self.kind is Kind.INVERTED and not self.lines:
            return "every line is inverted"
        n, m = (*self.lines, 0, 0)[:2]
        rise, fall = f"{self.rise_us} µs", f"{self.fall_us} µs"
        text = FAULTS[self.kind][1].format(n=n, m=m, rise=rise, fall=fall)
        return text.partition(";")[0]

    def __str__(self) -> str:
        times = (self.rise_us, self.fall_us) if self.kind is Kind.SLOW else ()
        given = [*map(str, self.lines), *map(time_value, times)]
        return self.kind.value + (":" + ",".join(given) if given else "")


_EXAMPLES = (
    "Examples: open:3, stuck-high:3, stuck-low:3, bridged-and:1,4, bridged-or:1,4, swapped:1,4, "
    "reversed, inverted, inverted:3, unplugged, slow:5,200us,300us."
)


def fault_forms() -> list[tuple[str, str]]:
    """How each kind of fault is written, and what it is, for a help text."""
    blank = {"n": "N", "m": "M", "rise": "RISE", "fall": "FALL"}
    return [(form.format(**blank), said.format(**blank)) for form, said in FAULTS.values()]


class Wiring:
    """The wires with a list of faults; without any, input n sees line n at once."""

    def __init__(self, faults: Iterable[Fault | str] = ()) -> None:
        parsed = (fault if isinstance(fault, Fault) else Fault.parse(fault) for fault in faults)
        self.faults: tuple[Fault, ...] = tuple(dict.fromkeys(parsed))

    def __str__(self) -> str:
        return " ".join(map(str, self.faults)) or "straight"

    def responses(self) -> tuple[int, ...]:
        """Truth vectors of the eight inputs."""
        return responses(self.faults)

    def table(self) -> bytes:
        """What the inputs see for each of the 256 levels that the box can drive."""
        vectors = self.responses()
        return bytes(
            sum((vector >> driven & 1) << line for line, vector in enumerate(vectors))
            for driven in range(256)
        )

    def rise_us(self) -> list[int]:
        """How long each input takes to rise, in microseconds."""
        return self._slow(lambda fault: fault.rise_us)

    def fall_us(self) -> list[int]:
        """How long each input takes to fall, in microseconds."""
        return self._slow(lambda fault: fault.fall_us)

    def _slow(self, time_of: Callable[[Fault], int]) -> list[int]:
        slow = [0] * LINES
        for fault in self.faults:
            if fault.kind is Kind.SLOW:
                slow[fault.lines[0]] = max(slow[fault.lines[0]], time_of(fault))
        return slow


def responses(faults: Iterable[Fault]) -> tuple[int, ...]:
    """Truth vectors of the eight inputs with these faults (slow edges do not show in them)."""
    by_kind: dict[Kind, list[tuple[int, ...]]] = {}
    for fault in faults:
        by_kind.setdefault(fault.kind, []).append(fault.lines)
    seen = list(STRAIGHT)
    for group in _groups(by_kind.get(Kind.BRIDGED_AND, ())):
        joined = ALL_HIGH
        for line in group:
            joined &= seen[line]
        for line in group:
            seen[line] = joined
    for group in _groups(by_kind.get(Kind.BRIDGED_OR, ())):
        joined = 0
        for line in group:
            joined |= seen[line]
        for line in group:
            seen[line] = joined
    for one, other in sorted(set(by_kind.get(Kind.SWAPPED, ()))):
        seen[one], seen[other] = seen[other], seen[one]
    if Kind.REVERSED in by_kind:
        seen.reverse()
    for lines in set(by_kind.get(Kind.INVERTED, ())):
        for line in lines or range(LINES):
            seen[line] ^= ALL_HIGH
    for (line,) in by_kind.get(Kind.OPEN, ()):
        seen[line] = 0
    if Kind.UNPLUGGED in by_kind:
        seen = [0] * LINES
    for (line,) in by_kind.get(Kind.STUCK_HIGH, ()):
        seen[line] = ALL_HIGH
    for (line,) in by_kind.get(Kind.STUCK_LOW, ()):
        seen[line] = 0
    return tuple(seen)


def _groups(pairs: Iterable[tuple[int, ...]]) -> list[set[int]]:
    """Lines that are connected through pairs, as groups."""
    groups: list[set[int]] = []
    for pair in pairs:
        joined = set(pair)
        apart = []
        for group in groups:
            if group & joined:
                joined |= group
            else:
                apart.append(group)
        groups = [*apart, joined]
    return groups


def single_faults() -> Iterator[Fault]:
    """Every fault that shows in the levels, one after the other (slow edges are not among them)."""
    for kind in (Kind.OPEN, Kind.STUCK_HIGH, Kind.STUCK_LOW):
        for line in range(LINES):
            yield Fault(kind, (line,))
    for kind in _PAIRS:
        for pair in combinations(range(LINES), 2):
            yield Fault(kind, pair)
    yield Fault(Kind.REVERSED)
    yield Fault(Kind.INVERTED)
    for line in range(LINES):
        yield Fault(Kind.INVERTED, (line,))
    yield Fault(Kind.UNPLUGGED)
