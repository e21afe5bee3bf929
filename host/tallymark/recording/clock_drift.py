"""The recording's clock against the box's: how much faster it runs, and how that changes.

Short windows of the recording are compared with the whole log at all rates that crystals and
ceramic resonators have. Where a window fits, it is extended to a chain as far as events and markers
keep in step. Chains that lie on one clock but have jumps between them share the rate and not the
offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tallymark.recording.clock_map import TimeMap
from tallymark.recording.event_series import Train, nearest
from tallymark.recording.recording_data import Floats, Ints

LARGEST_DRIFT = 0.006  # boards with a ceramic resonator may be off by 5000 ppm
WINDOW = 16  # events of a first comparison
WINDOWS = 12
TRIES = 3  # places tried for each window
LEAST_CHAIN = 8  # pairs that say something about the rate
LARGEST_WANDER = 60e-6  # change of the rate within a recording
KNOT_PAIRS, KNOT_US = 32, 20e6  # a knot of a wandering clock covers as much at least


@dataclass(frozen=True)
class Chain:
    """Pairs under one unbroken clock: times of markers and of events, both ascending."""

    sent: Floats
    seen: Floats

    def __len__(self) -> int:
        return len(self.sent)

    def rate(self) -> tuple[float, float]:
        """Recorded time per log time, and the sum of squares that it rests on."""
        x, y = self.sent - self.sent.mean(), self.seen - self.seen.mean()
        square = float(x @ x)
        return (float(x @ y) / square if square else 1.0), square


def find_chains(sent: Train, recorded: Train, grain: float) -> list[Chain]:
    """Chains from windows all over the recording.

    grain: how far apart two times of the recording must be to differ surely, microseconds.
    """
    chains: list[Chain] = []
    length = min(WINDOW, len(recorded))
    starts = np.unique(np.linspace(0, len(recorded) - length, WINDOWS).astype(int))
    if len(sent) > 100_000:
        starts = starts[::4]
    for start in starts:
        if any(chain.seen[0] <= recorded.time[start] <= chain.seen[-1] for chain in chains):
            continue
        window = Train(recorded.time[start : start + length], recorded.code[start : start + length])
        tried = [_extended(one, sent, recorded, grain) for one in _first(window, sent, grain)]
        if tried:
            chains.append(max(tried, key=len))
    return chains


def _first(window: Train, sent: Train, grain: float) -> list[Chain]:
    """The best few places of a window in the log, each at its best rate."""
    event, marker = _pairs(window, sent)
    if not len(event):
        return []
    lag = window.time[event] - sent.time[marker]
    span = max(float(np.ptp(window.time)), grain)
    blur = max(3 * grain, LARGEST_DRIFT * span)
    weight = np.where(
        window.code[event] == sent.code[marker], -np.log(sent.frequency()[window.code[event]]), 0.1
    )
    order = np.argsort(lag)
    event, marker, lag, weight = event[order], marker[order], lag[order], weight[order] + 0.5
    total = np.concatenate(([0.0], np.cumsum(weight)))
    upper = np.searchsorted(lag, lag + blur, side="right")
    score = total[upper] - total[:-1]
    found = []
    for _ in range(TRIES):
        best = int(score.argmax())
        if score[best] <= 0:
            break
        near = (lag >= lag[best] - blur) & (lag <= lag[best] + 2 * blur)
        chain = _best_rate(window, sent, event[near], marker[near], grain)
        if chain is not None:
            found.append(chain)
        score[(lag > lag[best] - blur) & (lag < lag[best] + blur)] = 0
    return found


def _pairs(window: Train, sent: Train) -> tuple[Ints, Ints]:
    """Pairs of event and marker, those of one code if there are enough and the rest is too much."""
    same = window.code[:, None] == sent.code[None, :]
    if len(sent) > 100_000 or same.sum() > 3_000_000:
        event, marker = np.nonzero(same)
        step = len(event) // 3_000_000 + 1
        return event[::step], marker[::step]
    return (
        np.repeat(np.arange(len(window)), len(sent)),
        np.tile(np.arange(len(sent)), len(window)),
    )


def _best_rate(window: Train, sent: Train, event: Ints, marker: Ints, grain: float) -> Chain | None:
    """Of these pairs those that lie within a grain at the rate at which most do."""
    seen, at = window.time[event], sent.time[marker]
    span = max(float(np.ptp(window.time)), grain)
    steps = int(min(2 * LARGEST_DRIFT * span / grain + 1, 400))
    best: tuple[int, float, float] = (0, 0.0, 0.0)
    middle = float(window.time.mean())
    for drift in sorted(np.linspace(-LARGEST_DRIFT, LARGEST_DRIFT, 2 * steps + 1), key=abs):
        off = np.sort(seen - at - drift * (seen - middle))
        count = np.searchsorted(off, off + 1.6 * grain, side="right") - np.arange(len(off))
        top = int(count.argmax())
        if count[top] > best[0]:
            best = (int(count[top]), float(drift), float(off[top]))
    most, drift, low = best
    if most < min(4, len(window)):
        return None
    off = seen - at - drift * (seen - middle)
    kept = np.flatnonzero((off >= low) & (off <= low + 1.6 * grain))
    kept = kept[np.unique(event[kept], return_index=True)[1]]
    kept = kept[np.unique(marker[kept], return_index=True)[1]]
    order = np.argsort(seen[kept])
    return Chain(at[kept][order], seen[kept][order])


def _extended(chain: Chain, sent: Train, recorded: Train, grain: float) -> Chain:
    """The chain, as far to both sides as half of the events or more keep in step."""
    ahead = _run(chain, sent, recorded, grain)
    turned = _run(
        Chain(-ahead.sent[::-1], -ahead.seen[::-1]),
        Train(-sent.time[::-1], sent.code[::-1]),
        Train(-recorded.time[::-1], recorded.code[::-1]),
        grain,
    )
    return Chain(-turned.sent[::-1], -turned.seen[::-1])


def _run(chain: Chain, sent: Train, recorded: Train, grain: float) -> Chain:
    at, seen = chain.sent, chain.seen
    while len(at) >= 2:
        recent = slice(-max(KNOT_PAIRS, len(at) // 2), None)
        x, y = at[recent], seen[recent]
        square = float(((x - x.mean()) ** 2).sum())
        slope = float((x - x.mean()) @ (y - y.mean()) / square) if square else 1.0
        error = grain / max(float(np.ptp(x)), grain)
        first = int(np.searchsorted(recorded.time, seen[-1], side="right"))
        far = float(seen[-1]) + 3 * grain / error
        end = min(
            first + max(len(at) // 4, WINDOW), int(np.searchsorted(recorded.time, far, "right"))
        )
        if end <= first:
            break
        events = recorded.time[first:end]
        wanted = x.mean() + (events - y.mean()) / slope
        marker = nearest(sent.time, wanted)
        off = np.abs(sent.time[marker] - wanted)
        hit = np.flatnonzero(off <= 1.5 * grain + error * (events - seen[-1]))
        if len(hit) < 0.5 * (end - first):
            break
        hit = hit[np.unique(marker[hit], return_index=True)[1]]
        hit = hit[sent.time[marker[hit]] > at[-1]]
        if not len(hit):
            break
        at = np.concatenate((at, sent.time[marker[hit]]))
        seen = np.concatenate((seen, events[hit]))
    return Chain(at, seen)


def fit_clock(chains: list[Chain], grain: float) -> TimeMap:
    """The map from even time (which runs as the log's) to recorded time, from 0 to 0: one clock for
    all chains. It is straight unless a chain shows that it wanders."""
    chains = [chain for chain in chains if len(chain) >= 2 and np.ptp(chain.sent) > 0]
    long = [chain for chain in chains if len(chain) >= LEAST_CHAIN] or chains
    if not long:
        return TimeMap(np.array([0.0, 1e6]), np.array([0.0, 1e6]))
    rates = np.array([chain.rate() for chain in long])
    errors = grain / np.array([np.ptp(chain.sent) for chain in long])
    surest = int(rates[:, 1].argmax())
    agree = np.abs(rates[:, 0] - rates[surest, 0]) <= 2 * (errors + errors[surest])
    rate = float(np.average(rates[agree, 0], weights=rates[agree, 1]))
    rate = min(max(rate, 1 - LARGEST_DRIFT), 1 + LARGEST_DRIFT)
    kept = [chain for chain, ok in zip(long, agree, strict=True) if ok]
    # Long chains of another rate, though not far from it, show a clock that wanders.
    other = np.abs(rates[:, 0] - rates[surest, 0]) <= LARGEST_WANDER
    other &= ~agree & (np.array([len(chain) for chain in long]) >= 4 * KNOT_PAIRS)
    kept += [chain for chain, ok in zip(long, other, strict=True) if ok]
    if not other.any() and max(map(_bend, kept)) <= 0.7 * grain:
        return TimeMap(np.array([0.0, 1e6]), np.array([0.0, rate * 1e6]))
    return _bent(kept, rate)


def _knots(chain: Chain) -> tuple[Floats, Floats]:
    """Means of stretches of a chain."""
    pace = max(float(np.ptp(chain.sent)) / len(chain), 1.0)
    size = int(np.clip(KNOT_US / pace, KNOT_PAIRS, 2048))
    start = np.arange(0, max(len(chain) - size // 2, 1), size)
    count = np.diff(start, append=len(chain))
    return np.add.reduceat(chain.sent, start) / count, np.add.reduceat(chain.seen, start) / count


def _bend(chain: Chain) -> float:
    """How far the chain's knots lie off its straight line."""
    at, seen = _knots(chain)
    if len(at) < 3:
        return 0.0
    rate = chain.rate()[0]
    off = seen - chain.seen.mean() - rate * (at - chain.sent.mean())
    return float(np.abs(off).max())


def _bent(chains: list[Chain], rate: float) -> TimeMap:
    """Local rates between the knots of each chain, the common rate elsewhere."""
    recorded, rates = [0.0], []
    for chain in sorted(chains, key=lambda one: float(one.seen[0])):
        at, seen = _knots(chain)
        use = seen > recorded[-1] + 1.0
        at, seen = at[use], seen[use]
        if len(at) < 2:
            continue
        rates += [rate, *(np.diff(seen) / np.diff(at)).tolist()]
        recorded += seen.tolist()
    rates.append(rate)
    recorded.append(recorded[-1] + 1e6)
    even = np.concatenate(([0.0], np.cumsum(np.diff(recorded) / rates)))
    return TimeMap(even, np.array(recorded))
