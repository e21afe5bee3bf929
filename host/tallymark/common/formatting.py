"""How times and codes are written for people, in one place."""

from __future__ import annotations

import re
from decimal import Decimal


def clock(seconds: float) -> str:
    """A time as h:mm:ss.mmm."""
    sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
    whole = int(seconds)
    milli = int((seconds - whole) * 1000)
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}.{milli:03d}"


def duration(microseconds: float) -> str:
    """A duration with three or four digits and its unit: 850 µs, 3.012 ms, 1.2 s, 2 min 5 s."""
    if microseconds < 1000:
        return f"{microseconds:.4g} µs"
    if microseconds < 999_950:
        return f"{microseconds / 1e3:.4g} ms"
    if microseconds < 120e6:
        return f"{microseconds / 1e6:.4g} s"
    seconds = round(microseconds / 1e6)
    if seconds < 7200:
        return f"{seconds // 60} min {seconds % 60} s"
    return f"{seconds // 3600} h {seconds // 60 % 60} min"


def ms(microseconds: float) -> str:
    """Milliseconds with three decimals, for a column or for times to be compared: 1,003.012 ms."""
    return f"{microseconds / 1e3:,.3f} ms"


def time_text(microseconds: float) -> str:
    """A time to the microsecond, in ms from 1 ms on: 850 µs, 5 ms, 12,345.678 ms, 3,600 s."""
    whole = round(microseconds)
    if abs(whole) < 1000:
        return f"{whole} µs"
    if abs(whole) >= 10_000_000 and whole % 1_000_000 == 0:
        return f"{whole // 1_000_000:,} s"
    return f"{whole // 1000:,} ms" if whole % 1000 == 0 else ms(whole)


def parse_time(text: str) -> int:
    """A time in microseconds, from a text with its unit: 500us, 5ms, 1.5s.

    ValueError, with the reason, for anything else. A number alone is refused, as whoever leaves the
    unit out may have meant another one; 0 is the same in each.
    """
    found = re.fullmatch(r"(\d+(?:\.\d+)?) ?(us|µs|ms|s|)", text.strip().lower())
    if not found:
        raise ValueError(f"'{text}' is not a time: write 500us, 5ms or 1.5s")
    number, unit = Decimal(found[1]), found[2]
    if not unit and number:
        raise ValueError(f"'{found[1]}' has no unit. Write {found[1]}us or {found[1]}ms")
    time = number * {"ms": 1_000, "s": 1_000_000}.get(unit, 1)
    if time != int(time):
        raise ValueError(f"'{text}' is not a whole number of microseconds")
    return int(time)


def time_value(microseconds: int) -> str:
    """A whole number of microseconds as people type it: 850us, 5ms, 0. `parse_time` reads it."""
    if not microseconds:
        return "0"
    return f"{microseconds}us" if microseconds % 1000 else f"{microseconds // 1000}ms"


def times(count: int) -> str:
    """How often: once, twice, 5 times, 12,000 times."""
    return {1: "once", 2: "twice"}.get(count, f"{count:,} times")


def some(count: int, what: str) -> str:
    """A number of things: 1 byte, 12,000 bytes."""
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def listed(words: list[str], joint: str = "and") -> str:
    """Words as a list in a sentence: a, b and c."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}"


def differing_lines(a: int, b: int) -> list[int]:
    """Numbers of the lines in which two codes differ."""
    return [line for line in range(8) if (a ^ b) >> line & 1]


def describe_change(sent: int, recorded: int) -> str:
    """How a recorded code differs from the sent one, line by line."""
    lost = [line for line in range(8) if (sent & ~recorded) >> line & 1]
    added = [line for line in range(8) if (recorded & ~sent) >> line & 1]
    parts = []
    for lines, said in ((lost, "idle instead of active"), (added, "active instead of idle")):
        if lines:
            name = "line" if len(lines) == 1 else "lines"
            parts.append(f"{name} {', '.join(map(str, lines))} {said}")
    return "; ".join(parts)
