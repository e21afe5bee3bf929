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
    )
}
