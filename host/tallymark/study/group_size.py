"""How many recordings go to a worker as one group: enough that the cluster's own work for a group
is small beside theirs, and so few that a worker that dies takes little along."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

WORK_S, WAIT_S = 1.0, 4.0
"""Seconds of processor time, and by the clock, of which a group has about the lesser."""
MOST, LEAST = 32, 3


@dataclass
class GroupSize:
    """Starts with one recording, and goes by what the group before took for each of its own.

    most: never more.
    """

    most: int = MOST
    _by_time: int = field(default=1, init=False)

    def learn(self, recordings: int, processor_s: float, clock_s: float) -> None:
        """What a group took."""
        each = max(processor_s / WORK_S, clock_s / WAIT_S, 1e-6) / recordings
        self._by_time = max(int(1 / each), 1)

    def next(self, left: int, threads: int) -> int:
        """The number of the next group. left: recordings that no group has yet. threads: of all
        workers; towards the end groups get smaller, so that none waits long for the last one."""
        size = min(self._by_time, self.most)
        if threads > 1:
            size = min(size, max(math.ceil(left / (2 * threads)), LEAST))
        return min(size, left)
