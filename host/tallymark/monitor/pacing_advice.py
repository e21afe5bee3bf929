"""What to do about codes that come too soon: that depends on which width decides."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, NamedTuple

from tallymark.common.formatting import duration, listed

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
    "settings": "tallymark settings change width_us=TIME",
    "program": "let the program ask for less",
}
_MOST = 2


class Pulse(NamedTuple):
    """A pulse that the next code came too soon after. name: its event or code, for people."""

    name: str
    width_us: int
    origin: Origin

    def __str__(self) -> str:
        return f"{self.name} is {duration(self.width_us)} wide {_BY[self.origin]}"


def pacing_advice(pulses: Iterable[Pulse], gap_us: int) -> str:
    """Why the program sends too soon after these pulses, and what to do."""
    alike: dict[tuple[int, Origin], list[str]] = {}
    for pulse in sorted(set(pulses), key=lambda pulse: (-pulse.width_us, pulse.name)):
        alike.setdefault((pulse.width_us, pulse.origin), []).append(pulse.name)
    if not alike:
        return "Let the program wait longer between two codes, or shorten the width of the pulses."
    shown = listed([
        f"{_name_list(names)} {'is' if len(names) == 1 else 'are'} {duration(width)} wide "
        f"{_BY[origin]}"
        for (width, origin), names in alike.items()
    ])
    also = f"; the gap adds {duration(gap_us)}" if gap_us else ""
    needs = sorted({width + gap_us for width, _ in alike})
    after = "after it" if sum(map(len, alike.values())) == 1 else "after each"
    how_long = f"{duration(needs[-1])} or more {after}"
    if len(needs) > 1:
        how_long = f"at least that long {after}"
    changes = listed([_CHANGE[origin] for origin in dict.fromkeys(o for _, o in alike)], "or")
    return (
        f"{shown[0].upper()}{shown[1:]}{also}. Let the program wait {how_long}, or shorten the "
        f"pulse: {changes}."
    )


def _name_list(names: list[str]) -> str:
    if len(names) <= _MOST:
        return listed(names)
    return f"{', '.join(names[:_MOST])} and {len(names) - _MOST} more"
