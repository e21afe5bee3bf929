"""What one probe saw in one part of a log: its onsets, and where some may be missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tallymark.markerlog import LogData

Times = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Sight:
    """Times in µs of the box.

    onsets, ends: in order. blind: (from, until) where edges may be missing.
    """

    onsets: Times
    ends: Times
    blind: tuple[tuple[int, int], ...]

    def may_be_missing(self, since_us: int, until_us: int) -> bool:
        """Whether an edge between these times may be missing."""
        return any(since <= until_us and since_us <= until for since, until in self.blind)

    def on_throughout(self, since_us: int, until_us: int) -> bool:
        """Whether the probe was on from before the one to after the other."""
        before = int(np.searchsorted(self.onsets, since_us, "right")) - 1
        if before < 0:
            return False
        ended = int(np.searchsorted(self.ends, self.onsets[before], "right"))
        return ended == len(self.ends) or int(self.ends[ended]) > until_us


def sight(log: LogData, probe: str, part: int) -> Sight:
    """What a probe saw in one part of a log, from one start of the box to the next."""
    onsets: list[int] = []
    ends: list[int] = []
    blind: list[tuple[int, int]] = []
    told = None  # by the record before, of whichever probe
    last = None  # edge of this probe
    for edge in log.probe_edges:
        if edge.part != part:
            continue
        if edge.lost:
            # lost before the first one that is told: at any time since the box started
            since = 0 if told is None else min(told, edge.box_us)
            blind.append((since, edge.box_us))
        told = edge.box_us
        if edge.probe != probe:
            continue
        if last is not None and last.on == edge.on:
            blind.append((last.box_us, edge.box_us))
        (onsets if edge.on else ends).append(edge.box_us)
        last = edge
    return Sight(np.array(sorted(onsets), np.int64), np.array(sorted(ends), np.int64), tuple(blind))
