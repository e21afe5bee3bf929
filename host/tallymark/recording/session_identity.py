"""Is the recording of this session at all?

A log explains a recording if it foretells the recorded intervals and codes better than the
recording foretells itself. Along the likeliest path, each event's interval and code get a
probability from the log, and one from the events before it; both learn as they go. What is the
same for every session of a design, as a constant interval is, foretells itself and says nothing.
If all of a design is like that, sessions can't be told apart, and what the check says holds only if
the log is the right one.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tallymark.recording.event_series import Train
from tallymark.recording.kernel import Rates, Trains, Verdicts
from tallymark.recording.recording_data import Bools, Codes, Floats, Ints

ENOUGH = 14.0  # nats by which a log must be better: odds of a million
LEARNING = 20.0, 0.05  # nats, and nats an event, that the learning of intervals may cost
MOST = 5_000  # events that are looked at
MANY = 30  # events of which the log should explain some
FEW = 0.3  # share of the events that the likeliest path must explain at least
MAPPING = 8.0  # nats a code that lines in another order may cost
MOST_OF_THEM = 0.5  # share at which times that agree are no accident
START = 10  # events from which on the recording's own foretelling counts


@dataclass(frozen=True)
class Identity:
    """session: 'own', 'foreign' or 'untold' (the design is the same in every session). time, code:
    nats by which the log foretells times and codes better than the recording foretells itself.
    possible: nats by which the right log could have done so."""

    session: Literal["own", "foreign", "untold"]
    time: float = 0.0
    code: float = 0.0
    possible: float = 0.0


def identify(
    log: Train,
    exact: Bools,
    trains: Trains,
    verdicts: Verdicts,
    rates: Rates,
    residuals: Floats,
) -> Identity:
    """Compare the log with the recording's own regularity, from the first to the last event that
    the likeliest path explains: before and after, a recording may hold what it likes.

    Args:
        log, exact: its markers that should make an event, and which of them have a box time.
        residuals: of each event, how far it is from its marker, microseconds.
    """
    count = min(len(trains.seen), MOST)
    trains = replace(trains, seen=trains.seen[:count], seen_code=trains.seen_code[:count])
    marker = verdicts.path_marker[:count].astype(np.int64)
    sure = (marker >= 0) & (marker < len(trains.at))
    core = rates.core
    there = np.flatnonzero(marker >= 0)
    inside = np.zeros(count, bool)
    if len(there):
        inside[there[0] : there[-1] + 1] = True
    start = min(START, count // 3)
    places = float(np.log(len(trains.at) + len(trains.seen)))
    possible = _possible(log, exact, core, start, count)
    own_time = _own_times(trains.seen, trains.seen_code, core)
    own_code = _own_codes(trains.seen, trains.seen_code, core)
    told = _log_times(trains, verdicts, sure, own_time, rates, residuals[:count])
    exactly = inside & (marker < len(trains.at))  # of others the log has no exact time
    time = float((told - own_time)[start:][exactly[start:]].sum())
    code = float((_log_codes(trains, marker, sure) - own_code)[sure][start:].sum())
    learning = LEARNING[0] + LEARNING[1] * np.count_nonzero(inside)
    score = code + (min(time, 0.0) + max(time - learning, 0.0)) - places
    share = float((marker >= 0).mean())
    tells = possible >= 2 * ENOUGH + places
    if score >= ENOUGH:
        return Identity("own" if tells else "untold", time, code, possible)
    few = share < FEW and (tells or count >= MANY)
    other_codes = code < -MAPPING * len(np.unique(log.code))
    unlike = tells and score < 0 and (other_codes or share < MOST_OF_THEM)
    # Where times speak against the log and codes for it, or the reverse, nobody knows.
    contrary = max(code, time - learning) - places >= ENOUGH
    foreign = (few or unlike) and not contrary
    return Identity("foreign" if foreign else "untold", time, code, possible)


def _possible(log: Train, exact: Bools, core: float, start: int, count: int) -> float:
    """Nats by which a log like this one can foretell a recording better than that does itself: what
    the log does not foretell of itself."""
    at, code, known = log.time[:count], log.code[:count], exact[:count].copy()
    known[1:] &= exact[: len(known) - 1]
    gain = np.log(0.92 / (2 * core)) - _own_times(at, code, core)
    time = float(gain[start:][known[start:]].sum())
    learning = LEARNING[0] + LEARNING[1] * count
    return float(-_own_codes(at, code, core)[start:].sum()) + max(time - learning, 0.0)


def _log_times(
    trains: Trains, verdicts: Verdicts, sure: Bools, own: Floats, rates: Rates, residuals: Floats
) -> Floats:
    """Log density of each event's time given the log, along the path. own: what the recording
    foretells itself; of an event without a marker the log tells no more than that it may be one."""
    count = len(trains.seen)
    pace = count / trains.duration
    # Whether one is a marker's: as often as so far, or as after such events before.
    value = sure.astype(np.int64)
    last = np.concatenate(([1], value[:-1]))
    before = np.concatenate(([1], last[:-1]))
    density = own + _foretold(value, 2, (last, 2 * last + before))
    rows = np.flatnonzero(sure)
    if not len(rows):
        return density
    marker = verdicts.path_marker[rows].astype(np.int64)
    same = np.zeros(len(rows), bool)
    same[1:] = verdicts.path_line[rows[1:]] == verdicts.path_line[rows[:-1]]
    visible = np.concatenate(([0], np.cumsum(trains.hidden < 0.3)))
    skipped = np.zeros(len(rows))
    skipped[1:] = np.maximum(visible[marker[1:]] - visible[marker[:-1] + 1], 0)
    missed = float(skipped[same].sum())
    share = (missed + 0.5) / (missed + len(rows) + 1.0)
    near = np.abs(residuals[rows]) <= rates.core + 2 * rates.tail
    density_here = np.where(
        near, (1 - rates.wide) / (2 * rates.core), rates.wide / (2 * rates.reach)
    )
    found = np.log(density_here) + np.log1p(-share) + skipped * np.log(share)
    # A change of line could have come at any event, and gone to any of the places.
    change = np.log(pace) - np.log(count / 2.0 + 1.0) - np.log(len(trains.at) + count)
    told = np.where(same, found, change)
    told[0] = np.log(pace)
    density[rows] += told - own[rows]
    return density


def _mixed(ways: list[Floats], context: Ints) -> Floats:
    """Log density of each value by several ways to foretell it (each: the density of every value);
    in each context what foretold best there so far counts most."""
    weights: dict[int, Floats] = {}
    equal = np.full(len(ways), 1 / len(ways))
    result = np.empty(len(context))
    for row, (where, density) in enumerate(zip(context.tolist(), np.array(ways).T, strict=True)):
        joint = weights.get(where, equal) * density
        result[row] = np.log(joint.sum())
        weights[where] = 0.99 * joint / joint.sum() + 0.01 / len(ways)
    return result


def _alike_before(values: Ints) -> Ints:
    """How many values before each, up to the one before it, were about equal."""
    count = np.zeros(len(values), np.int64)
    for row in range(2, len(values)):
        if abs(values[row - 1] - values[row - 2]) <= 1:
            count[row] = count[row - 1] + 1
    return count


def _own_times(seen: Floats, code: Codes, core: float) -> Floats:
    """Log density of each interval given what came before: like earlier ones, like those after the
    same interval, the same code or as many equal intervals, nearly like earlier ones, as long
    after the last event but one or two as before, or of any length."""
    gap = np.diff(seen, prepend=seen[:1])
    mean = max(float(gap.mean()), 1.0)
    fine = np.floor(gap / (2 * core)).astype(np.int64)
    nearly = max(mean / 16, core)
    last, nothing = np.concatenate(([-1], fine[:-1])), np.zeros(len(gap), np.int64)
    last_code = np.concatenate(([0], code[:-1])).astype(np.int64)
    base = np.exp(-gap / mean) / mean
    ways = [base]
    for context, reach in (
        (nothing, core),
        (last, core),
        (last_code, core),
        (_alike_before(fine), core),
        (nothing, nearly),
    ):
        like, total = _like_before(context, gap, reach)
        ways.append((like / (2 * reach) + base) / (total + 1.0))
    for back in (2, 3):  # intervals that add up to the same
        since = np.concatenate((np.zeros(back), seen[back:] - seen[:-back]))[: len(seen)]
        like, total = _like_before(last_code, since, core)
        ways.append((like / (2 * core) + base) / (total + 1.0))
    return _mixed(ways, last_code)


def _like_before(context: Ints, values: Floats, reach: float) -> tuple[Floats, Floats]:
    """How many values before each, in its context, were at most `reach` away; and how many came
    before there."""
    before: dict[int, list[float]] = {}
    like, total = np.zeros(len(values)), np.zeros(len(values))
    for row, (where, value) in enumerate(zip(context.tolist(), values.tolist(), strict=True)):
        known = before.setdefault(where, [])
        like[row] = bisect_right(known, value + reach) - bisect_left(known, value - reach)
        total[row] = len(known)
        insort(known, value)
    return like, total


def _own_codes(seen: Floats, code: Codes, core: float) -> Floats:
    """Log probability of each code given what came before: as often as so far, after the same code,
    the same two codes, the same interval, or as many equal intervals."""
    value = code.astype(np.int64)
    gap = np.floor(np.diff(seen, prepend=seen[:1]) / (4 * core)).astype(np.int64)
    last = np.concatenate(([0], value[:-1]))
    before = np.concatenate(([0], last[:-1]))
    alike = _alike_before(gap)
    alike = np.where(np.abs(np.diff(gap, prepend=gap[:1])) <= 1, alike, -1)
    return _foretold(value, 256, (last, last * 256 + before, gap, alike))


def _foretold(value: Ints, kinds: int, contexts: tuple[Ints, ...]) -> Floats:
    """Log probability of each of so many kinds of values: as often as so far, in all or in one of
    the contexts."""
    nothing = np.zeros(len(value), np.int64)
    like, total = _like_before(nothing, value.astype(float), 0.0)
    base = (like + 1 / kinds) / (total + 1.0)
    ways = [base]
    for context in contexts:
        like, total = _like_before(context, value.astype(float), 0.0)
        ways.append((like + base) / (total + 1.0))
    return _mixed(ways, nothing)


def _log_codes(trains: Trains, marker: Ints, sure: Bools) -> Floats:
    """Log probability of each code given the marker's, learning which codes are seen for it."""
    seen_as, single, total = np.zeros((256, 256)), np.zeros(256), np.zeros(256)
    result = np.zeros(len(marker))
    for count, row in enumerate(np.flatnonzero(sure).tolist()):
        sent, here = int(trains.code[marker[row]]), int(trains.seen_code[row])
        chance = (single[here] + 1 / 256) / (count + 1.0)
        first = 0.98 * (sent == here) + 0.02 * chance
        result[row] = np.log((2 * first + seen_as[sent, here]) / (2 + total[sent]))
        seen_as[sent, here] += 1
        total[sent] += 1
        single[here] += 1
    return result
