"""A simulated amplifier that samples lines by its own clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tallymark.common.lines.readback_wiring_model import Wiring

Changes = Sequence[tuple[int, int]]
"""(box time in microseconds, levels of the eight lines) of each change."""


@dataclass(frozen=True)
class Amplifier:
    """A simulated amplifier.

    rate: nominal sampling rate in whole Hz. clock_error_ppm: how much faster it samples than that.
    start_us: box time of its first sample. duration_s: length by its own clock.
    first_bit: bit of the status channel that carries line 0. other_bits: value of the bits that
    carry no line. dropped: (time in its own seconds, number of samples) that it loses.
    signals: number of signal channels beside the status channel.
    """

    rate: int = 1000
    clock_error_ppm: float = 0.0
    start_us: float = 0.0
    duration_s: float = 60.0
    first_bit: int = 0
    other_bits: int = 0
    dropped: tuple[tuple[float, int], ...] = ()
    signals: int = 4

    @property
    def samples(self) -> int:
        """Number of samples in the file."""
        return int(self.duration_s * self.rate) - sum(count for _, count in self.dropped)

    def sample_at(self, box_us: ArrayLike) -> NDArray[np.int64]:
        """Index of the first sample at or after each box time, as if none were dropped."""
        true_rate = self.rate * (1 + self.clock_error_ppm * 1e-6) / 1e6
        after = (np.asarray(box_us, float) - self.start_us) * true_rate
        return np.ceil(after - 1e-9).astype(np.int64)


@dataclass(frozen=True)
class Sampled:
    """A status channel as steps: from sample start[k] on its eight lines have levels[k]."""

    amplifier: Amplifier
    start: NDArray[np.int64]
    levels: NDArray[np.int64]

    def pieces(self, length: int | None = None) -> Iterator[NDArray[np.int32]]:
        """The channel's 24-bit samples in pieces of `length` (default: one second)."""
        amplifier = self.amplifier
        length = length or amplifier.rate
        other = amplifier.other_bits & ~(0xFF << amplifier.first_bit)
        for first in range(0, amplifier.samples, length):
            end = min(first + length, amplifier.samples)
            low, high = np.searchsorted(self.start, [first, end], side="right")
            inner = self.start[low:high][self.start[low:high] < end]
            edges = np.concatenate(([first], inner, [end]))
            values = np.repeat(self.levels[low - 1 : low + len(inner)], np.diff(edges))
            value = (values << amplifier.first_bit) | other
            yield ((value + (1 << 23)) % (1 << 24) - (1 << 23)).astype(np.int32)


def sample(changes: Changes, wiring: Wiring, amplifier: Amplifier) -> Sampled:
    """Sample a box's lines. The lines keep their first level before the first change.

    Raises ValueError if there is no change, or the amplifier's settings make no sense.
    """
    if not len(changes):
        raise ValueError("there is nothing to sample: the box's lines never changed")
    if amplifier.rate <= 0 or amplifier.samples <= 0:
        raise ValueError("the amplifier's sampling rate and duration must be above 0")
    time = np.array([change[0] for change in changes], float)
    driven = [change[1] for change in changes]
    levels = np.frombuffer(wiring.table(), np.uint8).astype(np.int64)[driven]
    rise_us, fall_us = wiring.rise_us(), wiring.fall_us()
    toggle_at, toggle_bit = [], []
    for line in range(8):
        level = (levels >> line) & 1
        turn = np.flatnonzero(np.diff(level)) + 1
        delay = np.where(level[turn] == 1, rise_us[line], fall_us[line])
        at = time[turn] + delay
        overtaken = np.flatnonzero(np.diff(at) <= 0)  # too short to pass the threshold
        keep = np.ones(len(at), bool)
        keep[overtaken] = keep[overtaken + 1] = False
        toggle_at.append(at[keep])
        toggle_bit.append(np.full(int(keep.sum()), 1 << line))
    at, bit = np.concatenate(toggle_at), np.concatenate(toggle_bit)
    index = np.maximum(amplifier.sample_at(at), 0)
    for when, count in sorted(amplifier.dropped, reverse=True):
        gap = int(when * amplifier.rate)
        index = np.where(index >= gap + count, index - count, np.minimum(index, gap))
    order = np.argsort(index, kind="stable")
    index, state = index[order], np.bitwise_xor.accumulate(np.concatenate((levels[:1], bit[order])))
    last = np.append(index[1:] != index[:-1], True) if len(index) else np.zeros(0, bool)
    start = np.concatenate(([-1], index[last]))
    return Sampled(amplifier, start, np.concatenate((state[:1], state[1:][last])))
