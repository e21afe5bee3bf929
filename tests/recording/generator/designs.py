"""What labs send: times (microseconds of box time) and codes of a session."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
BOX_JITTER_US = 15  # a stimulus program's own irregularity


@dataclass
class Sent:
    """A session as sent. width in microseconds."""

    time: Floats
    code: Ints
    width: Floats


def _with(random: Generator, steps: Floats, code: Ints, width_us: float) -> Sent:
    time = 4e6 + np.concatenate(([0.0], np.cumsum(steps[:-1])))
    time = np.round(time + random.integers(-BOX_JITTER_US, BOX_JITTER_US + 1, len(time)))
    return Sent(time, code, np.minimum(width_us, 0.4 * steps.min()) * np.ones(len(time)))


def constant(random: Generator, count: int) -> Sent:
    """A constant interval, six codes at random."""
    period = random.choice([400_000.0, 500_000.0, 700_000.0, 1_000_000.0])
    return _with(random, np.full(count, period), random.integers(1, 7, count), 10_000.0)


def oddball(random: Generator, count: int) -> Sent:
    """A constant interval, 85 % of one code."""
    period = random.choice([500_000.0, 600_000.0, 1_000_000.0])
    return _with(random, np.full(count, period), 1 + (random.random(count) < 0.15), 10_000.0)


def jittered_oddball(random: Generator, count: int) -> Sent:
    """85 % of one code, intervals with a jitter of 100 ms."""
    steps = random.uniform(700_000.0, 800_000.0, count)
    return _with(random, steps, 1 + (random.random(count) < 0.15), 10_000.0)


def cyclic(random: Generator, count: int) -> Sent:
    """A constant interval, codes 1 to 4 in turn."""
    return _with(random, np.full(count, 600_000.0), 1 + np.arange(count) % 4, 10_000.0)


def one_code(random: Generator, count: int) -> Sent:
    """A constant interval, one code."""
    return _with(random, np.full(count, 500_000.0), np.full(count, 7), 10_000.0)


def frames(random: Generator, count: int) -> Sent:
    """Locked to the frames of a screen at 60 Hz, 30 to 60 frames apart."""
    steps = random.integers(30, 61, count) * (1e6 / 60)
    return _with(random, steps, random.integers(1, 5, count), 10_000.0)


def trials(random: Generator, count: int) -> Sent:
    """Cue, target and mask at fixed intervals, trial after trial."""
    number = np.arange(count)
    steps = np.array([800_000.0, 100_000.0, 1_100_000.0])[number % 3]
    target = 20 + random.integers(0, 2, count)
    return _with(random, steps, np.choose(number % 3, (10, target, 30)), 10_000.0)


def bursts(random: Generator, count: int) -> Sent:
    """Bursts of five at 50 ms, some seconds apart."""
    steps = np.where(np.arange(count) % 5 == 4, random.uniform(1.5e6, 3e6, count), 50_000.0)
    return _with(random, steps, random.integers(1, 4, count), 8_000.0)


def blocks(random: Generator, count: int) -> Sent:
    """Identical blocks of 40, with a pause of the same length after each."""
    size = 40
    steps = np.tile(random.uniform(400_000.0, 900_000.0, size), count // size + 1)[:count]
    codes = np.tile(random.integers(1, 9, size), count // size + 1)[:count]
    steps[size - 1 :: size] = 5e6
    return _with(random, steps, codes, 10_000.0)


def irregular(random: Generator, count: int) -> Sent:
    """Random intervals and codes."""
    return _with(
        random,
        random.uniform(250_000.0, 900_000.0, count),
        random.integers(1, 256, count),
        10_000.0,
    )


def lognormal(random: Generator, count: int) -> Sent:
    """Lognormal intervals, three codes of unlike frequency."""
    steps = 3e5 + 3e5 * random.lognormal(0.0, 0.6, count)
    return _with(random, steps, random.choice([4, 5, 6], count, p=[0.6, 0.3, 0.1]), 10_000.0)


def two_intervals(random: Generator, count: int) -> Sent:
    """One of two intervals, two codes."""
    steps = random.choice([400_000.0, 900_000.0], count)
    return _with(random, steps, random.integers(1, 3, count), 10_000.0)


def broadcast_frames(random: Generator, count: int) -> Sent:
    """Always as many frames of 59.94 Hz, one more where the program was late; two codes."""
    frames = int(random.integers(20, 61)) + (random.random(count) < 0.05)
    return _with(random, frames * (1.001e6 / 60), 1 + (random.random(count) < 0.3), 10_000.0)


def flicker(random: Generator, count: int) -> Sent:
    """A marker every three frames of 60 Hz, in trials of 20 of one code, a second apart."""
    steps = np.where(np.arange(count) % 20 == 19, 1e6, 50_000.0)
    return _with(random, steps, 1 + (np.arange(count) // 20) % 3, 8_000.0)


def onset_offset(random: Generator, count: int) -> Sent:
    """On and off of stimuli of three kinds; always as long, intervals of 1 to 1.4 s."""
    number = np.arange(count)
    steps = np.where(number % 2, random.uniform(7e5, 1.1e6, count), 3e5)
    kind = np.repeat(random.integers(1, 4, count // 2 + 1), 2)[:count]
    return _with(random, steps, kind + 16 * (number % 2), 10_000.0)


def answers(random: Generator, count: int) -> Sent:
    """A stimulus every 2 s, and the answer to it at a time of its own."""
    number = np.arange(count)
    late = np.repeat(2.5e5 + 1e5 * random.lognormal(0.5, 0.5, count // 2 + 1), 2)[:count]
    late = np.minimum(late, 1.8e6)
    steps = np.where(number % 2, 2e6 - late, late)
    code = np.where(number % 2, 8, random.integers(1, 3, count))
    return _with(random, steps, code, 10_000.0)


def constant_blocks(random: Generator, count: int) -> Sent:
    """Identical blocks at a constant interval, with a code of its own at each block's start."""
    size = int(random.choice([10, 20, 30]))
    codes = np.tile(random.integers(1, 4, size), count // size + 1)[:count]
    codes[::size] = 100
    steps = np.full(count, 600_000.0)
    steps[size - 1 :: size] = 10e6
    return _with(random, steps, codes, 10_000.0)


def shuffled_blocks(random: Generator, count: int) -> Sent:
    """Blocks with the same eight codes, each in an order of its own, at a constant interval."""
    codes = np.concatenate([random.permutation(8) + 1 for _ in range(count // 8 + 1)])[:count]
    return _with(random, np.full(count, 750_000.0), codes, 10_000.0)


DESIGNS: dict[str, Callable[[Generator, int], Sent]] = {
    one.__name__: one
    for one in (
        constant,
        oddball,
        jittered_oddball,
        cyclic,
        one_code,
        frames,
        trials,
        bursts,
        blocks,
        irregular,
        lognormal,
        two_intervals,
        broadcast_frames,
        flicker,
        onset_offset,
        answers,
        constant_blocks,
        shuffled_blocks,
    )
}
