"""Where markers could be whose place isn't known: 'could be a block later'."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tallymark.common.formatting import clock, duration
from tallymark.recording.comparison_result import Comparison
from tallymark.recording.fates import UNKNOWN

LEAST = 1e-3  # probability of a place that is named
NEAR = 4  # grains within which neighbours have the same distance between their places


@dataclass(frozen=True)
class RivalPlace:
    """Markers in a row that have two places. first, last: rows of the log; count: how many markers
    of unknown fate between them; at_us, or_us: likelier and other place of the first one, on the
    recording's clock; more: whether there are further places."""

    first: int
    last: int
    count: int
    at_us: float
    or_us: float
    more: bool


def rival_places(result: Comparison) -> list[RivalPlace]:
    """Stretches of markers of unknown fate for which two places are known, in order."""
    a, time = result.alignment, result.recorded.time_us
    rows = np.flatnonzero(
        (result.fate == UNKNOWN)
        & (a.event >= 0)
        & (a.rival >= 0)
        & (a.p_event >= LEAST)
        & (a.p_rival >= LEAST)
    )
    if result.identity.session == "foreign" or not len(rows):
        return []
    one, other = time[a.event[rows]], time[a.rival[rows]]
    low, high = np.minimum(one, other), np.maximum(one, other)
    away = high - low
    cut = np.abs(np.diff(away)) > NEAR * a.grain_us
    places = []
    for part in np.split(np.arange(len(rows)), np.flatnonzero(cut) + 1):
        p_one = np.where(one[part] <= other[part], a.p_event[rows[part]], a.p_rival[rows[part]])
        p_other = np.where(one[part] <= other[part], a.p_rival[rows[part]], a.p_event[rows[part]])
        first = part[0]
        at, or_at = low[first], high[first]
        if p_other.sum() > p_one.sum():
            at, or_at = or_at, at
        more = np.median((a.p_other + a.p_unknown)[rows[part]]) >= LEAST
        where = float(at), float(or_at), bool(more)
        places.append(RivalPlace(int(rows[first]), int(rows[part[-1]]), len(part), *where))
    return places


def describe(result: Comparison, place: RivalPlace) -> str:
    """A stretch with two places as a sentence."""
    later = "later" if place.or_us > place.at_us else "earlier"
    away = duration(abs(place.or_us - place.at_us))
    where = f"{clock(place.or_us / 1e6)} instead of {clock(place.at_us / 1e6)}"
    where += ", or elsewhere" if place.more else ""
    if place.count == 1:
        return f"{_which(result, place.first)} could be {away} {later}, at {where}."
    return (
        f"{place.count} markers from {_which(result, place.first)} to "
        f"{_which(result, place.last)} could be {away} {later}: the first at {where}."
    )


def place_sentence(result: Comparison) -> str:
    """The longest stretch that has two places as a sentence, '' if there is none."""
    places = rival_places(result)
    if not places:
        return ""
    longest = max(places, key=lambda place: place.count)
    text = describe(result, longest)
    return text[0].upper() + text[1:]


def _which(result: Comparison, row: int) -> str:
    number = int(result.sent.number[row])
    code = int(result.sent.code[row])
    return f"marker {number} (code {code})" if number >= 0 else f"a marker (code {code})"
