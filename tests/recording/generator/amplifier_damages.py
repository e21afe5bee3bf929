"""What happens inside the amplifier and its program: samples, clocks, files."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from generator.amplifier import Lines, straight
from generator.damages import Damage, World, moment
from generator.designs import DESIGNS


def many_drops(world: World, random: Generator) -> None:
    """Samples are missing at 4 to 9 places, from one sample to some seconds each."""
    for _ in range(int(random.integers(4, 10))):
        seconds = float(np.exp(random.uniform(np.log(1 / world.amplifier.rate), np.log(4.0))))
        world.amplifier.lost.append((moment(world, random), max(int(seconds * _rate(world)), 1)))
        world.planted["jumps"] = world.planted.get("jumps", 0) + 1


def drop_in_pause(world: World, random: Generator) -> None:
    """Samples are missing in the longest pause of the session: 20 ms, or most of the pause."""
    steps = np.diff(world.sent.time)
    at = int(random.choice(np.flatnonzero(steps >= steps.max() - 1e3)))
    begin = float(world.sent.time[at]) + float(world.sent.width[at])
    pause = (begin, float(world.sent.time[at + 1]))
    seconds = float(random.choice([0.02, 0.8 * (pause[1] - pause[0]) / 1e6]))
    when = random.uniform(pause[0], max(pause[1] - seconds * 1e6, pause[0] + 1))
    world.amplifier.lost.append((when, max(int(seconds * _rate(world)), 1)))
    world.planted["jumps"] = 1


def block_lost(world: World, random: Generator) -> None:
    """From the middle of one pause to the middle of a later one nothing was recorded."""
    steps = np.diff(world.sent.time)
    long = np.flatnonzero(steps > 0.9 * steps.max())
    first, last = sorted(random.choice(long, 2, replace=len(long) < 2).tolist())
    last = max(last, first + 1)
    times = world.sent.time
    begin = float(times[first] + times[first + 1]) / 2
    end = float(times[min(last, len(times) - 2)] + times[min(last + 1, len(times) - 1)]) / 2
    world.amplifier.lost.append((begin, max(int((end - begin) / 1e6 * _rate(world)), 1)))
    world.planted["jumps"] = 1


def repeated_samples(world: World, random: Generator) -> None:
    """20 to 500 ms of samples were written twice."""
    count = max(int(random.uniform(0.02, 0.5) * _rate(world)), 1)
    world.amplifier.repeated.append((moment(world, random), count))
    world.planted["jumps"] = 1


def filled_gap(world: World, random: Generator) -> None:
    """Some seconds lack their data; zeros stand in their place, and no time is lost."""
    begin = moment(world, random)
    end = begin + random.uniform(0.2, 12.0) * 1e6
    lines = world.lines
    stop = lines.time + lines.width
    later = (lines.time >= begin) & (lines.time < end) & (stop > end)
    cut = (lines.time < begin) & (stop > begin)
    world.either |= {int(maker) for maker in lines.maker[later] if maker >= 0}
    time = np.where(later, end, lines.time)
    width = np.where(cut, begin - lines.time, np.where(later, stop - end, lines.width))
    lines = Lines(time, lines.code, width, lines.maker)
    world.lines = lines.kept(later | (lines.time < begin) | (lines.time >= end))
    world.planted["deaf"] = 1


def clock_step(world: World, random: Generator) -> None:
    """The clock that stamps the samples was set, forward or back, by up to 0.3 s."""
    seconds = float(random.uniform(0.005, 0.3))
    world.amplifier.steps.append((moment(world, random), int(seconds * _rate(world)) + 1))
    if random.random() < 0.5:
        when, count = world.amplifier.steps.pop()
        world.amplifier.lost.append((when, count))
    world.planted["jumps"] = 1


def wandering_clock(world: World, random: Generator) -> None:
    """The amplifier's rate changes slowly, by up to 25 ppm to either side."""
    span = world.amplifier.end - world.amplifier.start
    turns = float(random.uniform(0.5, 2.0))
    steepest = random.uniform(5e-6, 25e-6)
    world.amplifier.wander = (steepest * span / (2 * np.pi * turns), span / turns)
    world.planted["wander"] = 1


def fast_clock(world: World, random: Generator) -> None:
    """The amplifier's clock is off by 150 to 200 ppm."""
    world.amplifier.ppm = float(random.choice([-1, 1]) * random.uniform(150, 200))


def start_and_end_missing(world: World, random: Generator) -> None:
    """Begun late and ended early."""
    count = len(world.sent.time)
    first, last = int(random.uniform(0.02, 0.4) * count), int(random.uniform(0.6, 0.98) * count)
    world.amplifier.start = float(world.sent.time[first] - random.uniform(0.1, 0.35) * 1e6)
    world.amplifier.end = float(world.sent.time[last] + random.uniform(0.1, 0.35) * 1e6)
    world.planted["open_start"] = world.planted["open_end"] = 1


def two_sessions(world: World, random: Generator) -> None:
    """The recording also holds another session of the same design, before or after."""
    _hold_another(world, random, None)


def sessions_in_step(world: World, random: Generator) -> None:
    """The same, and the beats of the two sessions almost coincide: 1 to 6 samples lie between."""
    apart = int(random.integers(1, 7)) * int(random.choice([-1, 1]))
    _hold_another(world, random, apart * 1e6 / _rate(world))


def _hold_another(world: World, random: Generator, apart_us: float | None) -> None:
    """apart_us: how much later than a beat of this session the other one's come; None: whatever."""
    sent = world.sent
    other = straight(DESIGNS[world.design](random, len(sent.time)))
    pause = random.uniform(5e6, 60e6)
    before = random.random() < 0.5
    if before:
        shift = sent.time[0] - pause - other.time[-1]
    else:
        shift = sent.time[-1] + pause - other.time[0]
    if apart_us is not None:
        beat = float(np.median(np.diff(sent.time)))
        beats = np.floor((other.time[0] + shift - sent.time[0]) / beat) + (not before)
        shift = sent.time[0] - other.time[0] + beats * beat + apart_us
    if before:
        world.amplifier.start = float(other.time[0] + shift - 2.3e6)
    else:
        world.amplifier.end = float(other.time[-1] + shift + 2.3e6)
    lines = world.lines
    world.lines = Lines(
        np.concatenate((lines.time, np.round(other.time + shift))),
        np.concatenate((lines.code, other.code)),
        np.concatenate((lines.width, other.width)),
        np.concatenate((lines.maker, np.full(len(other.time), -1))),
    )
    world.planted["open_start"] = world.planted["open_end"] = 1


def unconfirmed_start(world: World, random: Generator) -> None:
    """The first 3 to 30 markers have no answer; they went out."""
    count = min(int(random.integers(3, 31)), len(world.sent.time) // 2)
    world.unconfirmed |= set(range(count))


def unconfirmed_run(world: World, random: Generator) -> None:
    """5 to 40 markers in a row have no answer; the last half of them never went out."""
    first = int(random.integers(0, len(world.sent.time)))
    last = min(first + int(random.integers(5, 41)), len(world.sent.time))
    world.unconfirmed |= set(range(first, last))
    gone = np.arange((first + last) // 2, last)
    world.lines = world.lines.kept(~np.isin(world.lines.maker, gone))


def _rate(world: World) -> float:
    return world.amplifier.rate


AMPLIFIER_DAMAGES: dict[str, Damage] = {
    one.__name__: one
    for one in (
        many_drops,
        drop_in_pause,
        block_lost,
        repeated_samples,
        filled_gap,
        clock_step,
        wandering_clock,
        fast_clock,
        start_and_end_missing,
        two_sessions,
        sessions_in_step,
        unconfirmed_start,
        unconfirmed_run,
    )
}
