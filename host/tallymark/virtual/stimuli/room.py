"""The light of the room, which reaches the sensor beside that of the screen."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tallymark.virtual.stimuli.levels import Levels

STEPS = 16
"""In which a period of the room's flicker is given."""
HIGHEST = 65_535


@dataclass(frozen=True)
class Room:
    """Light that is always there.

    level: its mean, 0 to 65,535. swing: from its darkest to its brightest, as a lamp on the mains
    has it, at twice the mains' frequency. mains_hz: that frequency.
    """

    level: int = 3_000
    swing: int = 0
    mains_hz: float = 50.0

    def light(self, at_us: float) -> float:
        """The room's light alone."""
        turns = 2 * self.mains_hz * at_us / 1e6
        return self.level + self.swing / 2 * math.sin(2 * math.pi * turns)

    def with_light(
        self, screen: Levels, since_us: int, until_us: int, before: int = 0
    ) -> Levels:
        """What the sensor has of screen and room together, from one time until the other.

        screen: what a `Stimulus` has, in order. before: light of the screen at `since_us`. A level
        above the full scale is the full scale."""
        step = 1e6 / (2 * self.mains_hz * STEPS)
        count = int((until_us - since_us) / step) + 1 if self.swing else 1
        times = {since_us, *(round(since_us + n * step) for n in range(count))}
        times |= {at for at, _ in screen if since_us <= at < until_us}
        changes = sorted(screen)
        level, place, found = before, 0, []
        for at in sorted(each for each in times if each < until_us):
            while place < len(changes) and changes[place][0] <= at:
                level = changes[place][1]
                place += 1
            found.append((at, min(HIGHEST, max(0, round(level + self.light(at))))))
        return found
