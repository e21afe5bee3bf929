"""What a study shows and one recording can't: where and since when something got worse.

A scan: for each measure, each site, box, amplifier and the whole study is compared with all other
recordings, from the beginning, since each of its days, and until each. The statistic is the
standardised sum of ranks in the group; that of the highest group is compared with the highest one
in studies made of the same recordings, their values dealt out at random. So the many groups that
are looked at are paid for, no distribution is assumed, and one bad recording makes no trend. Values
of one session count once, as `Unit` says. What a group explains is set aside before the rest is
looked at again, so that a bad box does not accuse its site.

Sources: M. Kulldorff, "A spatial scan statistic", Communications in Statistics 26 (1997);
P. Westfall and S. Young, "Resampling-based multiple testing", Wiley (1993), for the highest of
many; P. Sen, Journal of the American Statistical Association 63 (1968), for the slope.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from tallymark.common.formatting import listed
from tallymark.study.dates import day_text
from tallymark.study.measures import DRIFT, FACTORS, MEASURES, Floats, Measure, Row, Unit, units_of

ALPHA = 0.01  # probability that a study without any trend is said to have one
LEAST = 4  # sessions in a group, and outside it, below which nothing is said
LEAST_OF_ALL = 12  # sessions in a study
LEAST_OF_CLOCK = 6  # sessions by which a clock's drift is told
LEAST_SPAN_DAYS = 30.0
DEALS = 5_000
MOST = 4  # groups a measure
MONTH_DAYS = 365.25 / 12
_BATCH = 250
_USUAL = 0.99  # share of the other sessions that are no higher
_PART = 0.2  # of the way from the others' median to that of the group: below it, too, is usual


@dataclass(frozen=True)
class Group:
    """Some of the sessions: factor 'site', 'box', 'amplifier' or 'study'; which: 'all' of the
    level, those 'since' a day, or 'until' it. members: indices of units, in order of date."""

    factor: str
    level: str
    which: str
    members: tuple[int, ...]


@dataclass
class Trend:
    """Something that got worse. also: other groups of the very same sessions, between which can't
    be told. before, inside: medians outside and inside the group. since: the first day of it, and
    the last day before it (days since 1970). p: probability of as much by chance, somewhere."""

    measure: Measure
    group: Group
    also: list[Group]
    inside: float
    outside: float
    p: float
    first_day: float
    last_day: float
    day_before: float | None
    names: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """In a sentence."""
        return (
            f"{self.measure.title[0].upper()}{self.measure.title[1:]}: {self.where}{self.when}: "
            f"median {self.measure.text(self.inside)} in {len(self.group.members)} sessions, "
            f"{self.measure.text(self.outside)} in all others.{self._alike}"
        )

    @property
    def where(self) -> str:
        """The group for people."""
        return _where(self.group)

    @property
    def when(self) -> str:
        """Since when or until when, '' for all."""
        if self.group.which == "since":
            text = f", since {day_text(self.first_day)}"
            if self.day_before is not None:
                text += f" (last without: {day_text(self.day_before)})"
            return text
        return f", until {day_text(self.last_day)}" if self.group.which == "until" else ""

    @property
    def _alike(self) -> str:
        if not self.also:
            return ""
        others = listed([_where(group) for group in self.also], "or")
        return f" These sessions are also those of {others}: which is the cause can't be told."


@dataclass
class Ageing:
    """A clock whose drift changes. ppm_a_month: slope, with a range that holds the true one with
    95 %; p as in `Trend`."""

    group: Group
    also: list[Group]
    ppm_a_month: float
    low: float
    high: float
    p: float

    @property
    def text(self) -> str:
        """In a sentence."""
        others = ""
        if self.also:
            named = listed([_where(group) for group in self.also], "or")
            others = f" These sessions are also those of {named}: which clock it is can't be told."
        return (
            f"Clock drift: {_where(self.group)}: the drift changes by {self.ppm_a_month:+.2g} ppm "
            f"a month (95 %: {self.low:+.2g} to {self.high:+.2g}), in "
            f"{len(self.group.members)} sessions.{others}"
        )


@dataclass
class Trends:
    """All that was found; too_few: of what nothing is said, in sentences; sessions: how many."""

    found: list[Trend]
    ageing: list[Ageing]
    too_few: list[str]
    sessions: int


def _where(group: Group) -> str:
    return "the whole study" if group.factor == "study" else f"{group.factor} {group.level}"


def trends(rows: Sequence[Row], seed: int = 1) -> Trends:
    """The trends in the rows of a study."""
    units = units_of(rows)
    too_few = _too_few(units)
    if len(units) < LEAST_OF_ALL:
        return Trends([], [], too_few, len(units))
    random = np.random.default_rng(seed)
    measures = [each for each in MEASURES if _is_told(each, units)]
    level = ALPHA / (len(measures) + 1)  # each measure is one more chance to be wrong
    found: list[Trend] = []
    for measure in measures:
        found += _of_measure(measure, units, random, level)
    found = _without_echoes(found)
    return Trends(found, _ageing(units, random, level), too_few, len(units))


def _is_told(measure: Measure, units: Sequence[Unit]) -> bool:
    """Whether enough sessions have a value at all, whatever it is."""
    return sum(bool(np.isfinite(unit.value(measure))) for unit in units) >= LEAST_OF_ALL


def _too_few(units: Sequence[Unit]) -> list[str]:
    if len(units) < LEAST_OF_ALL:
        return [
            f"The study has {len(units)} sessions that count and have a date. Below {LEAST_OF_ALL} "
            "nothing is said of trends."
        ]
    sentences = []
    for factor in FACTORS:
        counts: dict[str, int] = defaultdict(int)
        for unit in units:
            counts[unit.level(factor)] += 1
        few = sorted(name for name, count in counts.items() if name and count < LEAST)
        if few:
            shown = listed(few if len(few) <= 6 else [*few[:6], f"{len(few) - 6} more"])
            many = "has" if len(few) == 1 else "have"
            sentences.append(
                f"{factor[0].upper()}{factor[1:]} {shown} {many} fewer than {LEAST} sessions: "
                "nothing is said of them alone."
            )
        unnamed = counts.get("", 0)
        if unnamed:
            sentences.append(f"Of {unnamed} sessions the {factor} is not known.")
    return sentences


def _groups(units: Sequence[Unit], left: Sequence[int]) -> list[tuple[str, str, list[int]]]:
    """Sessions of each level of each factor in order of date, as places in `left`."""
    groups: list[tuple[str, str, list[int]]] = [("study", "", list(range(len(left))))]
    for factor in FACTORS:
        levels: dict[str, list[int]] = defaultdict(list)
        for place, unit in enumerate(left):
            levels[units[unit].level(factor)].append(place)
        groups += [(factor, name, places) for name, places in sorted(levels.items())
                   if name and len(places) >= LEAST]
    return groups


def _of_measure(
    measure: Measure, units: Sequence[Unit], random: np.random.Generator, alpha: float
) -> list[Trend]:
    values = np.array([unit.value(measure) for unit in units])
    left = [int(place) for place in np.flatnonzero(np.isfinite(values))]
    found: list[Trend] = []
    while len(found) < MOST and len(left) >= LEAST_OF_ALL:
        here = values[left]
        if np.ptp(here) == 0:
            break
        groups = _groups(units, left)
        scores, best = _highest(_ranks(here)[None, :], groups)
        if not _beats(_ranks(here), groups, float(scores[0]), random, alpha, 200):
            break  # far from anything: no need for more
        p = _chance(_ranks(here), groups, float(scores[0]), random, DEALS)
        if p > alpha:
            break
        factor, level, which, places = best
        members = _standing_out(values, tuple(left[place] for place in places), left, which)
        others = [place for place in left if place not in set(members)]
        found.append(_told(measure, units, values, Group(factor, level, which, members), others, p))
        found[-1].also = _same(units, left, found[-1].group, which)
        left = others
    return found


def _standing_out(
    values: Floats, members: tuple[int, ...], left: Sequence[int], which: str
) -> tuple[int, ...]:
    """The group without sessions at its edge that are as most others are: by ranks alone, some that
    are a little high there may be counted in, and a date would be told that is too early. The edge
    lies where it leaves the fewest on the wrong side: usual ones inside, high ones outside."""
    if which == "all":
        return members
    inside = set(members)
    others = values[[place for place in left if place not in inside]]
    least = float(np.median(others))
    least += _PART * (float(np.median(values[list(members)])) - least)
    usual = max(float(np.quantile(others, _USUAL)), least)
    from_edge = members if which == "since" else members[::-1]
    is_usual = np.array([values[place] <= usual for place in from_edge[: len(members) - LEAST]])
    gains = np.cumsum(np.concatenate(([0], np.where(is_usual, 1, -1))))
    left_out = int(np.flatnonzero(gains == gains.max())[0])
    return members[left_out:] if which == "since" else members[: len(members) - left_out]


def _told(
    measure: Measure,
    units: Sequence[Unit],
    values: Floats,
    group: Group,
    others: Sequence[int],
    p: float,
) -> Trend:
    first, last = units[group.members[0]].day, units[group.members[-1]].day
    before = [
        units[place].day for place in others
        if units[place].day < first
        and (group.factor == "study" or units[place].level(group.factor) == group.level)
    ]
    return Trend(
        measure, group, [], float(np.median(values[list(group.members)])),
        float(np.median(values[list(others)])), p, first, last, max(before, default=None),
        [row["name"] for place in group.members for row in units[place].rows],
    )


def _same(
    units: Sequence[Unit], left: Sequence[int], group: Group, which: str
) -> list[Group]:
    """Groups of other factors that have the very same sessions."""
    same = []
    wanted = set(group.members)
    for factor, level, places in _groups(units, left):
        if (factor, level) == (group.factor, group.level) or factor == "study":
            continue
        members = {left[place] for place in places}
        if which == "since":
            members = {place for place in members if place >= group.members[0]}
        elif which == "until":
            members = {place for place in members if place <= group.members[-1]}
        if members == wanted:
            same.append(Group(factor, level, which, group.members))
    return same


def _ranks(values: Floats) -> Floats:
    """Ranks, of equal values their mean, standardised."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    ends = np.cumsum(counts)
    ranks = (ends - (counts - 1) / 2)[inverse]
    result: Floats = (ranks - ranks.mean()) / ranks.std()
    return result


Best = tuple[str, str, str, list[int]]


def _highest(
    ranks: Floats, groups: Sequence[tuple[str, str, list[int]]]
) -> tuple[Floats, Best]:
    """The highest score of any group, for each row of ranks (shape (k, n)), and which group it was
    in the first row."""
    total = ranks.shape[1]
    highest = np.full(len(ranks), -np.inf)
    best: Best = ("", "", "", [])
    for factor, level, places in groups:
        size = np.arange(1, len(places) + 1)
        scale = np.sqrt(total / (size * np.maximum(total - size, 1)))
        allowed = (size >= LEAST) & (total - size >= LEAST)
        if not allowed.any():
            continue
        chosen = ranks[:, places]
        for which, sums in (
            ("until", np.cumsum(chosen, axis=1)),
            ("since", np.cumsum(chosen[:, ::-1], axis=1)),
        ):
            scores = np.where(allowed, sums * scale, -np.inf)
            top = scores.max(axis=1)
            if top[0] > highest[0] + 1e-9:
                count = int(scores[0].argmax()) + 1
                span = places[:count] if which == "until" else places[len(places) - count :]
                name = "all" if count == len(places) else which
                best = (factor, level, name, span)
            highest = np.maximum(highest, top)
    return highest, best


def _chance(
    ranks: Floats,
    groups: Sequence[tuple[str, str, list[int]]],
    score: float,
    random: np.random.Generator,
    deals: int,
) -> float:
    """Share of studies with the values dealt out at random in which some group is as high."""
    as_high = 0
    for _ in range(0, deals, _BATCH):
        dealt = random.permuted(np.tile(ranks, (_BATCH, 1)), axis=1)
        as_high += int((_highest(dealt, groups)[0] >= score - 1e-9).sum())
    return (as_high + 1) / (-(-deals // _BATCH) * _BATCH + 1)


def _beats(
    ranks: Floats,
    groups: Sequence[tuple[str, str, list[int]]],
    score: float,
    random: np.random.Generator,
    alpha: float,
    deals: int,
) -> bool:
    """Whether more deals may still show a probability below alpha."""
    return _chance(ranks, groups, score, random, deals) <= max(10 * alpha, 3 / deals)


def _without_echoes(found: list[Trend]) -> list[Trend]:
    """A line at the wrong level alters markers, and a slow computer is an uneven one: what another
    measure tells of the same sessions is told once."""
    kept = []
    for trend in found:
        names = set(trend.names)
        causes = [set(other.names) for other in found
                  if other.measure.name.startswith(_CAUSE.get(trend.measure.name, "-"))
                  and other is not trend]
        if not any(len(names & cause) >= 0.8 * len(names) for cause in causes):
            kept.append(trend)
    return kept


_CAUSE = {"altered": "line", "delay jitter": "delay"}


def _ageing(units: Sequence[Unit], random: np.random.Generator, alpha: float) -> list[Ageing]:
    """Clocks whose drift changes with time: box or amplifier, by which explains more."""
    drift = np.array([unit.value(DRIFT) for unit in units])
    day = np.array([unit.day for unit in units])
    known = [int(place) for place in np.flatnonzero(np.isfinite(drift))]
    drift = _without_pairs(units, drift, known)
    clocks = []
    for factor in ("box", "amplifier"):
        levels: dict[str, list[int]] = defaultdict(list)
        for place in known:
            levels[units[place].level(factor)].append(place)
        clocks += [Group(factor, name, "all", tuple(places)) for name, places in levels.items()
                   if name and len(places) >= LEAST_OF_CLOCK
                   and np.ptp(day[places]) >= LEAST_SPAN_DAYS]
    found: list[Ageing] = []
    while clocks and len(found) < MOST:
        scores = [_slope_score(day[list(g.members)], drift[list(g.members)]) for g in clocks]
        group = clocks[int(np.argmax(scores))]
        p = _slope_chance(clocks, day, drift, max(scores), random)
        if p > alpha:
            break
        members = list(group.members)
        slope, low, high = _sen(day[members], drift[members])
        same = [g for g in clocks if g != group and set(g.members) == set(members)]
        months = MONTH_DAYS
        found.append(Ageing(group, same, slope * months, low * months, high * months, p))
        drift[members] -= slope * (day[members] - day[members].mean())
        clocks = [g for g in clocks if g not in (group, *same)]
    return found


def _without_pairs(units: Sequence[Unit], drift: Floats, known: Sequence[int]) -> Floats:
    """Drift without what each pair of box and amplifier has as its own."""
    pairs: dict[tuple[str, str], list[int]] = defaultdict(list)
    for place in known:
        pairs[units[place].level("box"), units[place].level("amplifier")].append(int(place))
    drift = drift.copy()
    for places in pairs.values():
        drift[places] -= np.median(drift[places])
    return drift


def _slope_score(day: Floats, drift: Floats) -> float:
    """How much of the ranks' scatter a change with time explains, as a likelihood gain."""
    if np.ptp(drift) == 0:
        return 0.0
    r = float((_ranks(day) * _ranks(drift)).mean()) if np.ptp(day) else 0.0
    return -len(day) / 2 * float(np.log(max(1 - r * r, 1e-9)))


def _slope_chance(
    clocks: Sequence[Group],
    day: Floats,
    drift: Floats,
    score: float,
    random: np.random.Generator,
) -> float:
    deals = np.zeros(DEALS)
    for group in clocks:
        members = list(group.members)
        if np.ptp(drift[members]) == 0 or np.ptp(day[members]) == 0:
            continue
        a, b = _ranks(day[members]), _ranks(drift[members])
        dealt = random.permuted(np.tile(b, (DEALS, 1)), axis=1)
        r = dealt @ a / len(a)
        np.maximum(deals, -len(a) / 2 * np.log(np.maximum(1 - r * r, 1e-9)), out=deals)
    return (int((deals >= score - 1e-9).sum()) + 1) / (DEALS + 1)


def _sen(day: Floats, drift: Floats) -> tuple[float, float, float]:
    """Slope a day: the median of those of all pairs, with its 95 % range after Sen."""
    if len(day) > 400:  # of many, an even sample
        chosen = np.linspace(0, len(day) - 1, 400).astype(int)
        day, drift = day[chosen], drift[chosen]
    first, second = np.array(list(combinations(range(len(day)), 2))).T
    apart = day[second] - day[first]
    use = apart != 0
    slopes = np.sort((drift[second] - drift[first])[use] / apart[use])
    n = len(day)
    half = 1.96 * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    low = max(int((len(slopes) - half) / 2), 0)
    high = min(int((len(slopes) + half) / 2) + 1, len(slopes) - 1)
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])
