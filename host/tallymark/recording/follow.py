"""Extending a seed to the stretch that it explains, and choosing among seeds.

A seed is followed chunk by chunk: predict, look for each marker in time, fit a line to the latest
matches, predict on. The search window is the jitter plus what the slope's uncertainty adds over the
distance, so it is wide at the seed and narrow once the drift is known.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tallymark.recording.match import nearest
from tallymark.recording.model import Bools, Floats
from tallymark.recording.seeds import Seeds, Train, find_seeds
from tallymark.recording.timemap import TimeMap

DRIFT = 500e-6  # largest relative difference of the two clocks
CHUNK = 2048  # most markers in a chunk
CHUNK_US = 20e6  # a chunk spans no more, so that slow changes of the clocks are followed
WINDOW, LEAST_HITS = 32, 19  # fewer hits among so many markers end a stretch
LOCAL = 512  # markers on each side for a first judgement of a seed
FOLLOWED = 12  # seeds that are followed all the way


@dataclass(frozen=True)
class Task:
    """What to align: the log's markers and the recording's events, in one view of the codes.

    start_us, end_us: the time covered by this part of the recording. jitter in microseconds.
    """

    sent: Train
    recorded: Train
    start_us: float
    end_us: float
    jitter: float

    def before(self, found: Found) -> Task:
        """What lies before a stretch that was found."""
        sent = int(np.searchsorted(self.sent.time, found.sent_range[0]))
        recorded = int(np.searchsorted(self.recorded.time, found.recorded_range[0]))
        return Task(
            self.sent.part(0, sent),
            self.recorded.part(0, recorded),
            self.start_us,
            found.recorded_range[0],
            self.jitter,
        )

    def after(self, found: Found) -> Task:
        """What lies after a stretch that was found."""
        sent = int(np.searchsorted(self.sent.time, found.sent_range[1], side="right"))
        recorded = int(np.searchsorted(self.recorded.time, found.recorded_range[1], side="right"))
        return Task(
            self.sent.part(sent, len(self.sent)),
            self.recorded.part(recorded, len(self.recorded)),
            found.recorded_range[1],
            self.end_us,
            self.jitter,
        )


@dataclass(frozen=True)
class Found:
    """A seed followed.

    hits of the `within` markers in the stretch are there. cost: markers expected in the
    recording under this map but not found, and events that nobody sent.
    """

    map: TimeMap
    sent_range: tuple[float, float]
    recorded_range: tuple[float, float]
    hits: int
    within: int
    cost: int

    @property
    def quality(self) -> float:
        """Share of the stretch's markers that were found, 0..1."""
        return self.hits / max(self.within, 1)


def margin(found: list[Found]) -> int:
    """By how many discrepancies the best of `found` beats the next."""
    return found[1].cost - found[0].cost if len(found) > 1 else 1_000_000


# ------------------------------------------------------------------------------ following


@dataclass
class _Way:
    """The state while a seed is followed in one direction."""

    x: float
    y: float
    slope: float = 1.0
    slope_error: float = DRIFT
    knots: list[tuple[float, float]] = field(default_factory=list)
    hit_sent: list[Floats] = field(default_factory=list)
    hit_recorded: list[Floats] = field(default_factory=list)

    def predict(self, sent_us: Floats) -> Floats:
        return self.y + (sent_us - self.x) * self.slope

    def reach(self, sent_us: Floats, jitter: float) -> Floats:
        return jitter + np.abs(sent_us - self.x) * self.slope_error

    def refit(self, jitter: float) -> None:
        """Fit a line to the latest matches; keep the slope while they say too little about it."""
        sent, recorded = self.hit_sent[-1], self.hit_recorded[-1]
        position = len(self.hit_sent) - 1
        while position > 0 and (len(sent) < 64 or np.ptp(sent) < CHUNK_US):
            position -= 1
            sent = np.concatenate((self.hit_sent[position], sent))
            recorded = np.concatenate((self.hit_recorded[position], recorded))
        self.x, self.y = float(sent.mean()), float(recorded.mean())
        span = float(np.ptp(sent))
        error = 2 * jitter / span if span else DRIFT
        if len(sent) >= 8 and error < DRIFT:
            dx, dy = sent - self.x, recorded - self.y
            self.slope = min(max(float(dx @ dy / (dx @ dx)), 1 - 2 * DRIFT), 1 + 2 * DRIFT)
            self.slope_error = error


def follow(task: Task, at: float, offset: float, most: int | None = None) -> Found | None:
    """Follow a seed (recorded time `at`, recorded minus sent time `offset`) both ways.

    most: number of markers each way after which to stop.
    """
    middle = int(np.searchsorted(task.sent.time, at - offset))
    ahead = _Way(at - offset, at)
    _run(task, ahead, middle, +1, most)
    if not ahead.hit_sent:
        return None
    back = _Way(ahead.x, ahead.y, ahead.slope, ahead.slope_error)
    if ahead.knots:  # start from the first chunk's line, not from the last one's
        back.x, back.y = ahead.knots[0]
    _run(task, back, middle, -1, most)
    sent = np.concatenate(back.hit_sent[::-1] + ahead.hit_sent)
    recorded = np.concatenate(back.hit_recorded[::-1] + ahead.hit_recorded)
    if len(sent) < 2:
        return None
    order = np.argsort(sent, kind="stable")
    sent, recorded = sent[order], recorded[order]
    time_map = _knots(sent, recorded)
    first, end = np.searchsorted(task.sent.time, [sent[0], np.nextafter(sent[-1], np.inf)])
    lower, upper = 0, len(task.sent)
    if most is not None:
        lower = min(max(middle - most, 0), int(first))
        upper = max(min(middle + most, upper), int(end))
    mapped = time_map.forward(task.sent.time[lower:upper])
    inside = (mapped > task.start_us + task.jitter) & (mapped < task.end_us - task.jitter)
    edges = time_map.forward(task.sent.time[[lower, upper - 1]])
    events = len(task.recorded)
    if most is not None:
        low, high = np.searchsorted(
            task.recorded.time, [edges[0] - task.jitter, edges[1] + task.jitter]
        )
        events = int(high - low)
    expected = max(int(inside.sum()), len(sent))
    return Found(
        time_map,
        (float(sent[0]), float(sent[-1])),
        (float(recorded[0]), float(recorded[-1])),
        len(sent),
        int(end - first),
        expected + events - 2 * len(sent),
    )


def _run(task: Task, way: _Way, start: int, step: int, most: int | None) -> None:
    sent, recorded = task.sent, task.recorded
    position, size, done = start, 16, 0
    recent: Bools = np.zeros(0, bool)
    while position > 0 if step < 0 else position < len(sent):
        if step > 0:
            limit = int(np.searchsorted(sent.time, sent.time[position] + CHUNK_US))
            rows = slice(position, max(min(position + size, limit), position + 32))
            position = min(rows.stop, len(sent))
        else:
            limit = int(np.searchsorted(sent.time, sent.time[position - 1] - CHUNK_US))
            rows = slice(max(min(max(position - size, limit), position - 32), 0), position)
            position = rows.start
        time, code = sent.time[rows][::step], sent.code[rows][::step]
        mapped = way.predict(time)
        near = nearest(recorded.time, mapped)
        hit = np.abs(recorded.time[near] - mapped) <= way.reach(time, task.jitter)
        hit &= recorded.code[near] == code
        inside = (mapped > task.start_us) & (mapped < task.end_us)
        end = _collapse(hit, inside, recent)
        recent = np.concatenate((recent, hit[inside]))[-WINDOW:]
        hit = hit[:end] if end is not None else hit
        if hit.any():
            at = np.flatnonzero(hit)[::step]
            way.hit_sent.append(time[at])
            way.hit_recorded.append(recorded.time[near[at]])
            way.refit(task.jitter)
            way.knots.append((way.x, way.y))
        done += len(time)
        if end is not None or not inside.any() or (most is not None and done >= most):
            return
        size = min(size * 2, CHUNK)


def _collapse(hit: Bools, inside: Bools, recent: Bools) -> int | None:
    """Number of the first marker that is no longer there, or None if they go on.

    The end lies in the first window with too few hits, where hits outweigh misses most."""
    rows = np.flatnonzero(inside)
    both = np.concatenate((recent, hit[rows]))
    if len(both) < WINDOW:
        return None
    total = np.concatenate(([0], np.cumsum(both)))
    poor = np.flatnonzero(total[WINDOW:] - total[:-WINDOW] < LEAST_HITS)
    if not len(poor):
        return None
    window = both[poor[0] : poor[0] + WINDOW]
    gain = np.concatenate(([0], np.cumsum(2 * window.astype(int) - 1)))
    first = int(poor[0]) + int(np.argmax(gain)) - len(recent)
    if first >= len(rows):
        return len(hit)
    return int(rows[first]) if first >= 0 else 0


def _knots(sent: Floats, recorded: Floats) -> TimeMap:
    """Means of the matches of some 20 s each, but of 32 at least; one straight line for few."""
    pace = max(float(np.ptp(sent)) / len(sent), 1.0)
    size = int(np.clip(CHUNK_US / pace, WINDOW, CHUNK))
    start = np.arange(0, len(sent) - size // 2, size)
    if len(start) >= 4:
        count = np.diff(start, append=len(sent))
        means = [np.add.reduceat(times, start) / count for times in (sent, recorded)]
        return TimeMap(means[0], means[1])
    middle_x, middle_y = sent.mean(), recorded.mean()
    dx, dy = sent - middle_x, recorded - middle_y
    square = float(dx @ dx)
    slope = float(dx @ dy) / square if square else 1.0
    slope = min(max(slope, 1 - 2 * DRIFT), 1 + 2 * DRIFT)
    ends = np.array([sent[0], max(sent[-1], sent[0] + 1.0)])
    return TimeMap(ends, middle_y + (ends - middle_x) * slope)


# -------------------------------------------------------------------------------- choosing


def locate(task: Task, prefer: tuple[float, float] | None = None) -> list[Found]:
    """The places where the recording fits the log, the best first; empty if there is none.

    Args:
        prefer: (recorded time, offset) at which the map of a neighbouring stretch would go on; it
            wins over others that explain no more.
    """
    found: list[Found] = []
    own = follow(task, *prefer) if prefer is not None else None
    if own is not None and own.quality < 0.7:
        own = None
    for seeds in find_seeds(task.sent, task.recorded, task.jitter, DRIFT):
        found += _judged(task, seeds)
        found = _distinct(sorted(found, key=lambda one: one.cost), task.jitter)
        if found and found[0].quality >= 0.7 and margin(found) >= 2:
            break
    if own is not None and (not found or own.cost <= found[0].cost):
        return [own]
    return found


def _judged(task: Task, seeds: Seeds) -> list[Found]:
    """The seeds that survive a look at their surroundings, followed all the way."""
    offsets = seeds.offset
    if len(offsets) > 4 * FOLLOWED:
        offsets = _plausible(task, seeds)
    near = [
        (one.cost, position, offset)
        for position, offset in enumerate(offsets)
        if (one := follow(task, seeds.at, float(offset), LOCAL)) is not None
    ]
    near.sort()
    kept = [offset for cost, _, offset in near[:FOLLOWED] if cost <= 2 * near[0][0] + 8]
    return [one for offset in kept if (one := follow(task, seeds.at, float(offset))) is not None]


def _plausible(task: Task, seeds: Seeds) -> Floats:
    """Of very many offsets, as a periodic train gives them, those that leave the fewest markers or
    events over at the ends; a lower bound of the cost that needs no matching."""
    one = follow(task, seeds.at, float(seeds.offset[0]), 8 * LOCAL)
    slope = 1.0
    if one is not None:
        slope = one.map.slope
    pivot = seeds.at - seeds.offset
    sent, recorded = task.sent.time, task.recorded.time
    in_file = np.searchsorted(sent, pivot + (task.end_us - seeds.at) / slope) - np.searchsorted(
        sent, pivot + (task.start_us - seeds.at) / slope
    )
    low = np.searchsorted(recorded, seeds.at + (sent[0] - pivot) * slope - 2 * task.jitter)
    high = np.searchsorted(recorded, seeds.at + (sent[-1] - pivot) * slope + 2 * task.jitter)
    outside = len(recorded) - (high - low)
    bound = np.abs(in_file - (high - low)) + outside + (seeds.votes.max() - seeds.votes)
    return seeds.offset[np.argsort(bound, kind="stable")[: 3 * FOLLOWED]]


def _distinct(found: list[Found], jitter: float) -> list[Found]:
    """Without places that are the same as a better one, or that explain other events than the best:
    those are further pieces, not rivals."""
    kept: list[Found] = []
    for one in found:
        if kept and not _rivals(kept[0], one):
            continue
        for other in kept:
            low = max(one.recorded_range[0], other.recorded_range[0])
            high = min(one.recorded_range[1], other.recorded_range[1])
            middle = np.array([(low + high) / 2])
            if abs(float((one.map.back(middle) - other.map.back(middle))[0])) <= 3 * jitter:
                break
        else:
            kept.append(one)
    return kept


def _rivals(best: Found, other: Found) -> bool:
    low = max(best.recorded_range[0], other.recorded_range[0])
    high = min(best.recorded_range[1], other.recorded_range[1])
    shorter = min(np.ptp(best.recorded_range), np.ptp(other.recorded_range))
    return bool(high - low >= 0.5 * shorter)
