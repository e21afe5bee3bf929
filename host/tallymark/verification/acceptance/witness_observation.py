"""What a witness saw: levels of the lines over the witness's own time."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Seen:
    """Levels of eight lines over time, in microseconds of the witness's clock.

    `levels[n]` holds from `times_us[n]` on; times increase.
    """

    times_us: tuple[float, ...]
    levels: tuple[int, ...]
    end_us: float
    """Until when the last levels are known to hold."""
    late_us: float
    """An edge may be dated that much late: by the sampling interval, or by how a box captures."""
    rate_bound: float
    """How far the witness's clock may be off, as a fraction."""
    lost: int = 0
    """Changes that are known to be missing."""

    def at(self, time_us: float) -> int:
        """The levels at a time; the first ones before the recording began."""
        return self.levels[max(0, bisect_right(self.times_us, time_us) - 1)]

    def index_after(self, time_us: float) -> int:
        """The number of the first change at or after a time."""
        return bisect_left(self.times_us, time_us)

    def changes(self, line: int, begin_us: float, end_us: float) -> list[float]:
        """When a line changed, from `begin_us` up to before `end_us`."""
        first, last = self.index_after(begin_us), self.index_after(end_us)
        return [
            self.times_us[n]
            for n in range(max(1, first), last)
            if (self.levels[n] ^ self.levels[n - 1]) >> line & 1
        ]

    def count(self, begin_us: float, end_us: float) -> int:
        """How many changes of any line there are from after `begin_us` up to before `end_us`."""
        return self.index_after(end_us) - bisect_right(self.times_us, begin_us)
