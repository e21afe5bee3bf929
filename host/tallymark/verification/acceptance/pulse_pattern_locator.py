"""Finds the driven pulses in what a witness saw.

Each part that is driven begins with pulses on all lines whose distances tell it from every other
part. The witness's clock may run otherwise, and lines may be dead, swapped or inverted: so the
pattern is looked for in the times at which any line leaves its level of rest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from tallymark.verification.acceptance.witness_observation import Seen

RATE_UNKNOWN = 0.022
"""Before it is known, the rate between two clocks: 1 % each, and some room."""
_SLACK_US = 10.0
_RESTS = 4
_REST_LEAST_US = 8_000
"""Idle time before a pattern, at least; its pulses are shorter than that."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where driven times are on the witness's clock."""

    driven_us: float
    seen_us: float
    rest: int
    """The levels that the witness saw at idle."""
    rate: float = 1.0
    """Witness time in box time."""
    rate_bound: float = RATE_UNKNOWN

    def to_seen(self, driven_us: float) -> float:
        """The witness's time of a time of the box."""
        return self.seen_us + (driven_us - self.driven_us) * self.rate


def places(starts_us: Sequence[float], seen: Seen, after_us: float = -1.0) -> list[Place]:
    """Every place at which pulses with these starts may be, from `after_us` on.

    More than one: the pattern can't be told from something else. None: it isn't there.
    """
    held: Counter[int] = Counter()
    for (begin, end), levels in zip(
        pairwise((*seen.times_us, seen.end_us)), seen.levels, strict=True
    ):
        held[levels] += round(end - begin)
    found: dict[float, Place] = {}
    for rest, _ in held.most_common(_RESTS):
        left = [
            time
            for time, before, now in zip(
                seen.times_us[1:], seen.levels, seen.levels[1:], strict=False
            )
            if before == rest != now and time >= after_us
        ]
        for at in range(len(left) - len(starts_us) + 1):
            index = seen.index_after(left[at])
            if left[at] - seen.times_us[index - 1] < _REST_LEAST_US:
                continue  # the ends of the pulses: no rest, but the level of the pulses
            if _fits(starts_us, left[at : at + len(starts_us)], seen.late_us):
                found.setdefault(left[at], Place(starts_us[0], left[at], rest))
    return list(found.values())


def _fits(starts_us: Sequence[float], times_us: Sequence[float], late_us: float) -> bool:
    """Whether one rate between the clocks explains all the times."""
    span = starts_us[-1] - starts_us[0]
    rate = (times_us[-1] - times_us[0]) / span
    room = late_us + _SLACK_US
    if abs(rate - 1) > RATE_UNKNOWN + room / span:
        return False
    return all(
        abs(time - times_us[0] - rate * (driven - starts_us[0])) <= 2 * room
        for driven, time in zip(starts_us, times_us, strict=True)
    )


def joined(begin: Place, end: Place, late_us: float) -> Place:
    """The place of everything between two patterns, with the rate between the clocks."""
    span = end.driven_us - begin.driven_us
    rate = (end.seen_us - begin.seen_us) / span
    return Place(begin.driven_us, begin.seen_us, begin.rest, rate, 2 * late_us / span)
