"""What to do about codes that come too soon: that depends on which width decides."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, NamedTuple

from tallymark.wording import duration, listed

Origin = Literal["plan", "option", "settings", "program"]
"""Who gives a pulse its width."""
_BY: dict[Origin, str] = {
    "plan": "by the plan",
    "option": "by --width",
    "settings": "by the box's settings",
    "program": "as the program asks for",
}
_CHANGE: dict[Origin, str] = {
    "plan": "change width_us in the plan",
    "option": "give a shorter --width",
    "settings": "tallymark settings change width_us=MICROSECONDS",
    "program": "let the program ask for less",
}
_MOST = 3


class Pulse(NamedTuple):
    """A pulse that the next code came too soon after. name: its event or code, for people."""

    name: str
    width_us: int
    origin: Origin

    def __str__(self) -> str:
        return f"{self.name} is {duration(self.width_us)} wide {_BY[self.origin]}"


def wait(pulses: Iterable[Pulse], gap_us: int) -> str:
    """Two sentences: why the program sends too soon after these pulses, and what to do."""
    found = sorted(set(pulses), key=lambda pulse: (-pulse.width_us, pulse.name))
    if not found:
        return "Let the program wait longer between two codes, or shorten the width of the pulses."
    shown = listed([str(pulse) for pulse in found[:_MOST]])
    if len(found) > _MOST:
        shown += f" (and {len(found) - _MOST} more)"
    needs = sorted({pulse.width_us + gap_us for pulse in found})
    longest = duration(needs[-1])
    how_long = longest if len(needs) == 1 else f"as long as that (up to {longest})"
    also = f"; the gap adds {duration(gap_us)}" if gap_us else ""
    after = "after it" if len(found) == 1 else "after each"
    changes = listed([_CHANGE[origin] for origin in dict.fromkeys(p.origin for p in found)], "or")
    return (
        f"{shown[0].upper()}{shown[1:]}{also}. Let the program wait {how_long} or more {after}, or "
        f"shorten the pulse: {changes}."
    )
