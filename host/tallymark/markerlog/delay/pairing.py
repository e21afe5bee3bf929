"""Which onset belongs to which marker.

An onset is looked for in a range of time around its marker. Where the ranges of two markers
overlap, the range is narrowed to where the other markers have their onsets; if that is not known,
the lag at which clearly most markers have one counts. Where neither decides, nothing is claimed: a
false pair would be a false delay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tallymark.markerlog.delay.onsets import Sight, Times

FOUND, MISSING, STILL_ON, UNKNOWN, AMBIGUOUS = range(5)
"""What became of a marker: it has its onset; it has none; none is possible, because the probe was
on already; edges may be missing there; its onset can't be told from others."""

VOTE_US = 20_000
"""Lags that differ by less than this count as one."""
_ENOUGH = 5  # markers whose delay says what the typical one is
_NARROW_SD = 8.0
_NARROWEST_US = 25_000.0  # more than a frame at 50 Hz
_RIVAL = 0.6  # of the votes of the best lag: with more, a second one is as likely
_FLICKER = 3  # onsets in a range: no stimulus makes so many

Delays = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Pairing:
    """fates: one of the five for each marker. delays: in µs, NaN without one. double: markers with
    further onsets in their range. used: for each onset, whether it is a marker's, or within the
    range of one. why: what stands in the way, if nothing can be claimed of the whole."""

    fates: npt.NDArray[np.int64]
    delays: Delays
    double: npt.NDArray[np.bool_]
    used: npt.NDArray[np.bool_]
    why: str = ""


def spread(values: Delays) -> float:
    """Standard deviation by the median of deviations, which single outliers don't move."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def pair(markers: Times, sight: Sight, low_us: int, high_us: int) -> Pairing:
    """Finds the onset of each marker. markers: in order, µs of the box's time. low_us, high_us:
    when an onset may come, from the marker on; before it, if below 0."""
    onsets = sight.onsets
    count = len(markers)
    gaps = np.diff(markers)
    near = np.full(count, np.iinfo(np.int64).max)
    near[:-1] = gaps
    near[1:] = np.minimum(near[1:], gaps)
    free = near >= high_us - low_us
    first, last = _within(markers, onsets, low_us, high_us)
    inside = last - first
    if count and np.mean(inside >= _FLICKER) > 0.5 and np.mean(free) > 0.5:
        return _nothing(markers, onsets, "flicker")
    single = free & (inside == 1)
    delays = np.full(count, np.nan)
    delays[single] = onsets[first[single]] - markers[single]
    if single.sum() >= max(_ENOUGH, 0.2 * count):
        typical = float(np.median(delays[single]))
        reach = max(_NARROWEST_US, _NARROW_SD * spread(delays[single]))
    elif free.all():
        typical, reach = float("nan"), 0.0
    else:
        voted = _vote(markers, onsets, low_us, high_us)
        if voted is None:
            return _nothing(markers, onsets, "rhythm")
        typical, reach = voted
    found = _pairs(markers, sight, (low_us, high_us), (typical, reach), free, near)
    return _checked(found, markers)


def _within(markers: Times, onsets: Times, low: float, high: float) -> tuple[Times, Times]:
    """From which onset to which (that one not included) they lie in the range of each marker."""
    return np.searchsorted(onsets, markers + low), np.searchsorted(onsets, markers + high, "right")


def _vote(
    markers: Times, onsets: Times, low_us: int, high_us: int
) -> tuple[float, float] | None:
    """The lag at which clearly most markers have an onset, and how far it reaches."""
    first, last = _within(markers, onsets, low_us, high_us)
    lags = np.sort(
        np.concatenate(
            [onsets[a:b] - at for at, a, b in zip(markers, first, last, strict=True)] or [onsets]
        ).astype(np.float64)
    )
    if not len(lags):
        return None
    votes = np.searchsorted(lags, lags + VOTE_US, "right") - np.searchsorted(lags, lags - VOTE_US)
    best = int(np.argmax(votes))
    typical = float(np.median(lags[np.abs(lags - lags[best]) <= VOTE_US]))
    rivals = votes[np.abs(lags - typical) > 2 * VOTE_US]
    enough = votes[best] >= max(_ENOUGH + 3, 0.5 * len(markers))
    if not enough or (len(rivals) and rivals.max() > _RIVAL * votes[best]):
        return None
    return typical, _NARROWEST_US


def _pairs(
    markers: Times,
    sight: Sight,
    whole: tuple[int, int],
    narrow: tuple[float, float],
    free: npt.NDArray[np.bool_],
    near: Times,
) -> Pairing:
    onsets = sight.onsets
    typical, reach = narrow
    fates = np.full(len(markers), MISSING)
    delays = np.full(len(markers), np.nan)
    double = np.zeros(len(markers), bool)
    used = np.zeros(len(onsets), bool)
    for n, marker in enumerate(map(int, markers)):
        low, high = whole if free[n] else (typical - reach, typical + reach)
        if not free[n] and near[n] < 2 * reach:
            fates[n] = AMBIGUOUS
            continue
        a, b = map(int, np.searchsorted(onsets, (marker + low, marker + high)))
        within = onsets[a:b] - marker
        if len(within):
            best = 0 if np.isnan(typical) else int(np.argmin(np.abs(within - typical)))
            fates[n], delays[n] = FOUND, within[best]
            double[n] = len(within) > 1
            used[a:b] = True
        elif sight.may_be_missing(int(marker + low), int(marker + high)):
            fates[n] = UNKNOWN
        elif sight.on_throughout(int(marker + low), int(marker + high)):
            fates[n] = STILL_ON
    first, last = _within(markers, onsets, *whole)
    for alone in np.flatnonzero((fates == MISSING) & ~free):
        if not used[first[alone] : last[alone]].all():
            fates[alone] = AMBIGUOUS  # that may be a late one, of this marker or of its neighbour
    return Pairing(fates, delays, double, used)


def _checked(found: Pairing, markers: Times) -> Pairing:
    """Nothing where the onsets fit the marker before, or behind, as well or better.

    An onset before its marker is claimed only if the intervals tell it from one that belongs to the
    marker before."""
    has = np.flatnonzero(found.fates == FOUND)
    if len(has) < _ENOUGH:
        return found
    times = markers[has] + found.delays[has]
    here = max(_scatter(found.delays[has]), 50.0)
    for shift in (-1, 1):
        other = has + shift
        there = (other >= 0) & (other < len(markers))
        if there.sum() < _ENOUGH:
            continue
        theirs = times[there] - markers[other[there]]
        apart = _scatter(theirs.astype(np.float64))
        before = shift == -1 and float(np.median(found.delays[has])) < 0
        if (apart < 0.5 * here and here > 1_000) or (before and apart <= 1.5 * here):
            nothing = _nothing(markers, np.empty(0, np.int64), "neighbour")
            return Pairing(nothing.fates, nothing.delays, nothing.double,
                           np.zeros(len(found.used), bool), "neighbour")
    return found


def _scatter(delays: Delays) -> float:
    """How much delays differ from the one before, by the median: steps and drifts don't count."""
    return float(np.median(np.abs(np.diff(delays))))


def _nothing(markers: Times, onsets: Times, why: str) -> Pairing:
    return Pairing(
        np.full(len(markers), AMBIGUOUS),
        np.full(len(markers), np.nan),
        np.zeros(len(markers), bool),
        np.zeros(len(onsets), bool),
        why,
    )
