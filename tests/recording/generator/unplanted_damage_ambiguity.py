"""What a damage explains that was not planted in a recording, but is in others.

Whoever judges a recording can't know that it has one kind of damage only. The generator plants each
kind in one of some forty recordings. That a second one is there as well is far more probable than
one in a million, so a place is not known if one more damage makes another place as good:

- A block was lost (`block_lost`): from the middle of one pause to the middle of a later one nothing
  was recorded. Where a design repeats itself and one end of the session is not in the recording,
  nothing shows it.
- Nothing came through (`runs_missing`, `filled_gap`), just before the first event or behind the
  last one.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np

from generator.cases import ALL, Case
from generator.designs import Floats
from generator.place_likelihood import Stretch, even_times, grain_us, score, shifts

PAUSE = 0.9  # of the longest interval, as `block_lost` has it
KINDS_OF_SILENCE = 2


def silence_cost(case: Case) -> float:
    """Nats of a run of missing markers that ends or begins at one marker of the session."""
    return float(np.log(len(ALL) / KINDS_OF_SILENCE * len(case.log.time)))


def in_doubt_by_a_lost_block(case: Case, stretches: list[Stretch], odds: float) -> np.ndarray:
    """Of each marker, whether a lost block that was not planted gives it another place. odds: nats
    by which a rival must be worse."""
    doubtful = np.zeros(len(case.log.time), bool)
    for number, stretch in enumerate(stretches):
        found = shifts(case, stretch)
        for there in (found[found < 0], found[found > 0]):
            most = odds - float(np.log(len(ALL) * max(len(there), 1)))
            for shift in there[np.argsort(np.abs(there))].tolist():
                doubtful |= _moved(case, stretches, number, shift, most)
                if doubtful.all():
                    return doubtful
    return doubtful


def _moved(
    case: Case, stretches: list[Stretch], number: int, shift: float, most: float
) -> np.ndarray:
    """Markers that lie elsewhere if a block was lost within a stretch: behind it the log goes on
    later (shift below 0), or before it the log began earlier."""
    doubtful = np.zeros(len(case.log.time), bool)
    one, beyond = stretches[number], stretches[number + 1 :] if shift < 0 else stretches[:number]
    if beyond:
        nearest = beyond[0 if shift < 0 else -1]
        if abs(one.offset + shift - nearest.offset) < 3 * grain_us(case) + 300.0:
            return doubtful  # no more cut than there is, at another place
        if _in_order(one, nearest, shift):
            beyond = []
    moved = sum(
        score(case, other, other.offset) - score(case, other, other.offset + shift)
        for other in beyond
    )
    cuts = _cuts(case, one, shift).tolist()

    def is_rival(row: int) -> bool:
        part = _part(case, one, row, shift)
        worse = score(case, part, part.offset) - score(case, part, part.offset + shift)
        return worse + moved < most

    first = bisect_left(cuts, True, key=is_rival)  # the smaller the part, the likelier
    if first < len(cuts):
        for other in (_part(case, one, cuts[first], shift), *beyond):
            maker = case.recording.maker[other.first : other.end]
            doubtful[maker[maker >= 0]] = True
        doubtful |= case.recording.event < 0  # what isn't there could be
    return doubtful


def _in_order(one: Stretch, nearest: Stretch, shift: float) -> bool:
    """Whether log time does not run back between a part that is moved and what isn't."""
    if shift < 0:
        return one.high - one.offset - shift < nearest.low - nearest.offset + 1e3
    return one.low - one.offset - shift > nearest.high - nearest.offset - 1e3


def _part(case: Case, one: Stretch, row: int, shift: float) -> Stretch:
    """The part of a stretch behind a cut before event `row`, or before a cut behind it."""
    even: Floats = even_times(case)
    if shift < 0:
        return Stretch(row, one.end, one.offset, float(even[row]) - 1.0, one.high)
    return Stretch(one.first, row + 1, one.offset, one.low, float(even[row]) + 1.0)


def _cuts(case: Case, one: Stretch, shift: float) -> np.ndarray:
    """Events next to which a block may have been lost, those first that move most: its two ends lie
    in pauses of the log."""
    time, maker, even = case.log.time, case.recording.maker, even_times(case)
    rows = np.arange(one.first, one.end)
    rows = rows[maker[rows] >= 0]
    step = np.diff(time, append=np.inf, prepend=-np.inf)  # before marker n, and behind it at n + 1
    long = step >= PAUSE * np.diff(time).max()
    at = np.abs(time[None, :] - (even[rows] - one.offset - shift)[:, None]).argmin(axis=1)
    if shift < 0:
        before = np.concatenate(([-1], maker[rows[:-1]]))
        return rows[(before >= 0) & long[before + 1] & long[at]]
    after = np.concatenate((maker[rows[1:]], [-1]))
    inside = rows[(after >= 0) & long[np.maximum(after, 0)] & long[at + 1]]
    return inside[::-1]
