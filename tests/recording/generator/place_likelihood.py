"""How well a stretch of a recording fits a place in the log, asked of somebody who knows what was
planted: the clock, and how often markers are missing, extra or altered."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from generator.cases import Case
from generator.designs import Floats, Ints

EXTRA = 13.0  # nats of an event that no marker made


@dataclass
class Stretch:
    """Events first to before end, which lie at one offset; low, high: even time that they cover."""

    first: int
    end: int
    offset: float
    low: float
    high: float


@lru_cache(maxsize=4)
def even_times(case: Case) -> Floats:
    amplifier = case.world.amplifier
    seen = case.recording.sample * (1e6 / case.recording.rate) / (1 + amplifier.ppm * 1e-6)
    swing, period = amplifier.wander
    result: Floats = seen - swing * np.sin(2 * np.pi * seen / period)
    return result


def grain_us(case: Case) -> float:
    """How far two times of the recording may be apart for one, in microseconds."""
    return 1e6 / case.recording.rate + case.world.planted.get("late", 0.0)


def foreseen_codes(case: Case) -> Ints:
    """The code that each marker has in the recording."""
    return case.world.codes[case.log.code]


def costs(case: Case) -> tuple[float, float]:
    """Nats of a missed marker, and of an altered code."""
    planted = case.world.planted
    missed = 3.5 if "missed" in planted else 1.0 if "deaf" in planted else 8.0
    altered = 1.5 if "loose" in planted else 6.0 if "altered" in planted else 9.0
    return missed, altered


def score(case: Case, stretch: Stretch, offset: float) -> float:
    """Log likelihood of a stretch at an offset."""
    missed, altered = costs(case)
    even, time, code = even_times(case), case.log.time, foreseen_codes(case)
    sample = grain_us(case)
    rows = np.arange(stretch.first, stretch.end)
    wanted = even[rows] - offset
    at = np.clip(np.searchsorted(time, wanted - 0.5 * sample), 0, len(time) - 1)
    at = np.where(
        (at > 0) & (np.abs(time[at - 1] - wanted) < np.abs(time[at] - wanted)), at - 1, at
    )
    hit = np.abs(time[at] - wanted) < 0.8 * sample + 60.0
    same = hit & (code[at] == case.recording.code[rows])
    inside = (time + offset > stretch.low) & (time + offset < stretch.high) & (code > 0)
    if case.damage in ("held", "overlapping"):
        inside[1:] &= code[1:] != code[:-1]
    skipped = max(int(inside.sum()) - len(np.unique(at[hit])), 0)
    return float(
        -EXTRA * np.count_nonzero(~hit) - altered * np.count_nonzero(hit & ~same) - missed * skipped
    )


def shifts(case: Case, stretch: Stretch) -> Floats:
    """Offsets at which two fifths of a stretch's events meet a marker, less the true one."""
    even = even_times(case)[stretch.first : stretch.end]
    lag = np.sort((even[:, None] - case.log.time[None, :]).ravel())
    width = 1.6 * grain_us(case) + 100.0
    count = np.searchsorted(lag, lag + width) - np.arange(len(lag))
    rows = np.flatnonzero(count >= max(0.4 * len(even), 1))
    found = lag[rows] + width / 2 - stretch.offset
    found = found[np.abs(found) > 3 * grain_us(case) + 300.0]
    _, first = np.unique(np.round(found / width), return_index=True)
    return found[first]
