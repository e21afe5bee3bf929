"""From what was sent to what an amplifier's file holds, and the truth about each marker.

A session goes the way of the real thing: pulses become changes of the lines, changes fall on
samples of a clock of its own rate and phase, samples are lost, and what remains is read as events.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from generator.designs import Floats, Ints, Sent

NOT_THERE, SHARED, EITHER = -1, -2, -3


@dataclass
class Lines:
    """What reaches the lines: pulses in order of time; maker: number of the marker, -1 for none."""

    time: Floats
    code: Ints
    width: Floats
    maker: Ints

    def kept(self, which: np.ndarray) -> Lines:
        """The pulses for which `which` holds."""
        return Lines(self.time[which], self.code[which], self.width[which], self.maker[which])


@dataclass
class Amplifier:
    """rate in Hz, by its own clock, which is off by ppm; start, end in box time (us); lost: (time,
    samples) where samples are missing; repeated: where those before are written again; steps:
    where the clock goes on by so many; wander: how far the clock swings, and how long it takes,
    in us; held: codes stay until the next marker."""

    rate: float
    ppm: float
    start: float
    end: float
    lost: list[tuple[float, int]] = field(default_factory=list)
    repeated: list[tuple[float, int]] = field(default_factory=list)
    steps: list[tuple[float, int]] = field(default_factory=list)
    wander: tuple[float, float] = (0.0, 1.0)
    held: bool = False


@dataclass
class Recording:
    """What the file holds: first samples, codes and widths of events, and how many samples; and the
    truth: of each event its maker (-1: nobody), of each marker its event, or why there is none."""

    sample: Ints
    code: Ints
    width: Ints
    rate: float
    samples: int
    maker: Ints
    event: Ints


def record(sent: Sent, lines: Lines, amplifier: Amplifier) -> Recording:
    """Sample the lines and read the events."""
    order = np.argsort(lines.time, kind="stable")
    lines = lines.kept(order)
    changes: list[tuple[float, int, int]] = []
    for row in range(len(lines.time)):
        changes.append((lines.time[row], int(lines.code[row]), int(lines.maker[row])))
        end = lines.time[row] + lines.width[row]
        following = lines.time[row + 1] if row + 1 < len(lines.time) else np.inf
        if not amplifier.held and end < following:
            changes.append((end, 0, -1))
    pace = amplifier.rate * (1 + amplifier.ppm * 1e-6) / 1e6
    at = np.array([change[0] for change in changes])
    swing, period = amplifier.wander
    at = at + swing * np.sin(2 * np.pi * (at - amplifier.start) / period)
    place = np.ceil((at - amplifier.start) * pace - 1e-9).astype(np.int64)
    total = int((amplifier.end - amplifier.start) * pace)
    cut = np.zeros(len(place), bool)
    gone = 0
    for when, count in sorted(amplifier.lost):
        first = int((when - amplifier.start) * pace) - gone
        cut |= (place > first) & (place < first + count)
        place = np.where(place >= first + count, place - count, np.minimum(place, first))
        gone += count
    total -= gone
    changes, place, cut, total = _longer(changes, place, cut, total, amplifier, pace)
    events = []
    before = 0
    before_at = -1
    for row in np.argsort(place, kind="stable"):
        _, code, maker = changes[row]
        if before_at == place[row] and events and events[-1][0] == place[row]:
            events.pop()  # the last change within a sample is what the sample shows
            before = events[-1][1] if events and events[-1][4] else 0
        before_at = int(place[row])
        if code and code != before and 0 < place[row] < total:
            events.append([int(place[row]), code, maker, bool(cut[row]), True])
        elif events:
            events[-1][4] = False
        before = code
    return _read(sent, lines, events, place, changes, total, amplifier)


def _longer(
    changes: list[tuple[float, int, int]],
    place: Ints,
    cut: np.ndarray,
    total: int,
    amplifier: Amplifier,
    pace: float,
) -> tuple[list[tuple[float, int, int]], Ints, np.ndarray, int]:
    """With what is repeated, and where the clock was set forward."""
    for when, count in amplifier.steps:
        first = int((when - amplifier.start) * pace)
        place = np.where(place >= first, place + count, place)
        total += count
    for when, count in amplifier.repeated:
        first = int((when - amplifier.start) * pace)
        old = place
        again = np.flatnonzero((old >= first - count) & (old < first))
        touched = np.flatnonzero((old >= first - 2 * count) & (old < first + count))
        cut[touched] = True  # whose event is whose would be a matter of words
        begun = np.flatnonzero(old < first - count)
        state = changes[begun[old[begun].argmax()]][1] if len(begun) else 0
        place = np.where(old >= first, old + count, old)
        copies = [(changes[row][0], changes[row][1], -1) for row in again]
        changes = [*changes, (when, state, -1), *copies]
        place = np.concatenate((place, [first], old[again] + count))
        cut = np.concatenate((cut, np.ones(1 + len(again), bool)))
        total += count
    return changes, place, cut, total


def _read(
    sent: Sent,
    lines: Lines,
    events: list[list[int]],
    place: Ints,
    changes: list[tuple[float, int, int]],
    total: int,
    amplifier: Amplifier,
) -> Recording:
    event = np.full(len(sent.time), NOT_THERE)
    for number, (_, _, maker, partly, _) in enumerate(events):
        if maker >= 0:
            event[maker] = EITHER if partly else number
    at_sample: dict[int, list[int]] = {}
    for row, (_, code, maker) in enumerate(changes):
        if code and maker >= 0:
            at_sample.setdefault(int(place[row]), []).append(maker)
    shown = {int(row[0]) for row in events}
    for where, makers in at_sample.items():
        if len(makers) > 1 and where in shown:
            for maker in makers:
                event[maker] = SHARED if event[maker] == NOT_THERE else event[maker]
    # What nobody sent may fall on a marker's own sample: then both are one event.
    for start, _, maker, _, _ in events:
        if maker < 0:
            for near in range(start - 2, start + 3):
                for other in at_sample.get(near, []):
                    event[other] = EITHER
    sample = np.array([row[0] for row in events], np.int64)
    return Recording(
        sample,
        np.array([row[1] for row in events], np.int64),
        np.full(len(sample), max(int(0.01 * amplifier.rate), 1)),
        amplifier.rate,
        total,
        np.array([row[2] for row in events], np.int64),
        event,
    )


def straight(sent: Sent) -> Lines:
    """Everything on the lines as sent."""
    return Lines(sent.time.copy(), sent.code.copy(), sent.width.copy(), np.arange(len(sent.time)))


def whole(sent: Sent, random: Generator, rate: float) -> Amplifier:
    """An amplifier that runs from before the first marker to after the last."""
    return Amplifier(
        rate,
        float(random.uniform(-120, 120)),
        float(sent.time[0] - random.uniform(2e6, 3.5e6)),
        float(sent.time[-1] + random.uniform(2e6, 3.5e6)),
    )
