"""Which markers can be known at all? Asked of somebody who knows what was planted.

The oracle knows the true path: the clock, where samples are missing, how often markers are missing,
extra or altered. A rival shifts a stretch between two cuts (or several such stretches together) to
another place of the log, or moves a cut by some events. A marker can be known if the true path has
odds of more than a million over every rival that says otherwise. This is no model of the check's:
no sums, no rates found out, whole stretches instead of states.

That no damage beside the planted one is there, nobody can know: `unplanted_damage_ambiguity` has
what such a one would explain, as often as it is planted in other recordings.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from generator.cases import Case
from generator.designs import Ints
from generator.place_likelihood import EXTRA, Stretch, costs, even_times, grain_us, score, shifts
from generator.unplanted_damage_ambiguity import in_doubt_by_a_lost_block, silence_cost

ODDS = float(np.log(1e6))
JUMP, RUN = 14.0, 4  # nats for one more jump; missing markers in a row that may hide one


def knowable(case: Case) -> np.ndarray:
    """Of each marker, in the order of the log's times, whether it can be known."""
    order = np.argsort(case.log_time, kind="stable")
    truth = case.recording.event
    known = np.ones(len(truth), bool)
    known[truth < -1] = False
    near = np.diff(case.log.time) < 3 * grain_us(case)
    known[1:] &= ~near
    known[:-1] &= ~near
    stretches = _stretches(case)
    for first in range(len(stretches)):
        for last in range(first, len(stretches)):
            if _has_rival(case, stretches, first, last):
                for stretch in stretches[first : last + 1]:
                    known[_markers(case, stretch)] = False
                known &= truth >= 0  # and what isn't there could be
    if case.damage in ("two_sessions", "sessions_in_step") and _is_the_other(case, stretches):
        known[:] = False
    for before, after in pairwise(stretches):
        for marker in _near_cut(case, before, after):
            known[marker] = False
    known &= ~_at_cuts(case, stretches)
    for doubtful in _beyond_ends(case, stretches):
        known[doubtful] = False
    known &= ~in_doubt_by_a_lost_block(case, stretches, ODDS)
    return known[order]


def _stretches(case: Case) -> list[Stretch]:
    """Cut where samples are missing, and where so many markers are that samples could be."""
    even, maker = even_times(case), case.recording.maker
    own = np.flatnonzero(maker >= 0)
    if not len(own):
        return []
    offset = even[own] - case.log.time[maker[own]]
    missing = np.diff(maker[own]) - 1
    hidden = case.damage in ("held", "overlapping")
    cut = np.abs(np.diff(offset)) > 2 * grain_us(case)
    cut |= (missing >= RUN) & (not hidden)
    starts = np.concatenate(([0], np.flatnonzero(cut) + 1))
    ends = np.append(starts[1:], len(own))
    total = case.recording.samples * 1e6 / case.recording.rate
    found = []
    for start, end in zip(starts, ends, strict=True):
        low = even[own[start]] - 1.0 if start else 0.0
        high = even[own[end - 1]] + 1.0 if end < len(own) else total
        first, last = int(own[start]), int(own[end - 1]) + 1
        found.append(Stretch(first, last, float(np.median(offset[start:end])), low, high))
    return found


def _markers(case: Case, stretch: Stretch) -> Ints:
    maker = case.recording.maker[stretch.first : stretch.end]
    return maker[maker >= 0]


def _has_rival(case: Case, stretches: list[Stretch], first: int, last: int) -> bool:
    """Whether stretches first to last fit elsewhere, together, without log time running back."""
    chosen = stretches[first : last + 1]
    longest = max(chosen, key=lambda one: one.end - one.first)
    true = sum(score(case, one, one.offset) for one in chosen)
    for shift in shifts(case, longest):
        low, high = chosen[0].low - chosen[0].offset, chosen[-1].high - chosen[-1].offset
        if first and low - shift < stretches[first - 1].high - stretches[first - 1].offset - 1e3:
            continue
        after = stretches[last + 1] if last + 1 < len(stretches) else None
        if after is not None and high - shift > after.low - after.offset + 1e3:
            continue
        moved = sum(score(case, one, one.offset + shift) for one in chosen)
        moved += _saved_by_a_cut(case, stretches, first, last, shift)
        if moved - true > -ODDS:
            return True
    return False


def _saved_by_a_cut(
    case: Case, stretches: list[Stretch], first: int, last: int, shift: float
) -> float:
    """What a rival gains that has the cut elsewhere: its stretches go on where their neighbour
    lies, and samples are missing before the first event, or after the last."""
    near = 3 * grain_us(case) + 300.0
    gained = 0.0
    for neighbour, one in ((first - 1, first), (last + 1, last)):
        if 0 <= neighbour < len(stretches):
            joins = abs(stretches[one].offset + shift - stretches[neighbour].offset) < near
            gained += JUMP * joins
    missed, _ = costs(case)
    silence = min(JUMP, silence_cost(case))
    even, start, end = even_times(case), stretches[0], stretches[-1]
    at = case.log.time + shift
    if first == 0:
        lost = (at + start.offset > start.low) & (at + start.offset < even[start.first] - near)
        gained += max(missed * np.count_nonzero(lost) - silence, 0.0)
    if last == len(stretches) - 1:
        lost = (at + end.offset > even[end.end - 1] + near) & (at + end.offset < end.high)
        gained += max(missed * np.count_nonzero(lost) - silence, 0.0)
    return gained


def _is_the_other(case: Case, stretches: list[Stretch]) -> bool:
    """Whether the log fits the other session in the recording as well as its own."""
    rows = np.flatnonzero(case.recording.maker < 0)
    if not len(rows):
        return False
    even = even_times(case)
    first, end = int(rows[0]), int(rows[-1]) + 1
    other = Stretch(first, end, 0.0, even[first] - 1e5, even[end - 1] + 1e5)
    own = sum(one.end - one.first for one in stretches)
    true = sum(score(case, one, one.offset) for one in stretches) - EXTRA * len(rows)
    return any(score(case, other, by) - EXTRA * own > true - ODDS for by in shifts(case, other))


def _near_cut(case: Case, before: Stretch, after: Stretch) -> Ints:
    """Markers of events on either side of a cut that could lie on the other side, and the markers
    that they would then be."""
    doubtful: list[int] = []
    time, even = case.log.time, even_times(case)
    for stretch, other, step in ((before, after, -1), (after, before, 1)):
        at = stretch.end - 1 if step < 0 else stretch.first
        odds = 0.0
        while stretch.first <= at < stretch.end:
            one = Stretch(at, at + 1, stretch.offset, even[at] - 1, even[at] + 1)
            odds += score(case, one, other.offset) - score(case, one, stretch.offset)
            if odds < -ODDS:
                break
            if case.recording.maker[at] >= 0:
                doubtful.append(int(case.recording.maker[at]))
            doubtful.append(int(np.abs(time + other.offset - even[at]).argmin()))
            at += step
    return np.array(doubtful, np.int64)


def _beyond_ends(case: Case, stretches: list[Stretch]) -> list[Ints]:
    """Where many markers before the first event or after the last are missing though the recording
    ran, that event may be one of theirs, with a jump between it and the others: it and they."""
    if not stretches:
        return []
    missed, _ = costs(case)
    found = []
    time, code = case.log.time, case.log.code
    for stretch, at, step in (
        (stretches[0], stretches[0].first, -1),
        (stretches[-1], stretches[-1].end - 1, 1),
    ):
        marker = int(case.recording.maker[at])
        if marker < 0:
            continue
        beyond = np.arange(marker + step, len(time) if step > 0 else -1, step)
        recorded = time[beyond] + stretch.offset
        beyond = beyond[(recorded > stretch.low) & (recorded < stretch.high)]
        alike = code[beyond] == code[marker]
        if len(beyond) < RUN or not alike.any():
            continue
        # The nearest of its code: the markers up to it lie in the jump and are not missing then.
        saved = missed * (int(np.flatnonzero(alike)[-1]) + 1)
        if JUMP - saved < ODDS:
            found.append(np.append(beyond, marker))
    return found


def _at_cuts(case: Case, stretches: list[Stretch]) -> np.ndarray:
    """Markers that aren't there, in a cut in which an event without a marker lies."""
    maker, even = case.recording.maker, even_times(case)
    doubtful = np.zeros(len(case.log.time), bool)
    for row in np.flatnonzero(maker < 0):
        for stretch in stretches:
            near = np.abs(case.log.time + stretch.offset - even[row]) < 5e6
            doubtful |= near & (case.recording.event < 0)
    return doubtful
