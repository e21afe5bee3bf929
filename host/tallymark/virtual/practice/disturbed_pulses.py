"""Pulses on the lines, and a disturbance that loses, alters and adds some."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from tallymark.virtual.practice.amplifier import Changes


@dataclass(frozen=True)
class Pulse:
    """One pulse on the lines: time and width in microseconds."""

    time_us: float
    code: int
    width_us: float


@dataclass(frozen=True)
class Disturbed:
    """Pulses after a disturbance, and the truth: what was done to which (indices of the input)."""

    pulses: list[Pulse]
    lost: set[int]
    altered: dict[int, int]
    extra: list[Pulse]


def disturb(
    pulses: Sequence[Pulse],
    lost: float = 0.0,
    extra: float = 0.0,
    altered: float = 0.0,
    seed: int = 1,
    lines: int = 0xFF,
) -> Disturbed:
    """Lose, add and alter a share (0..1) of the pulses at random. An added pulse lies in idle time,
    clear of its neighbours; an altered one has one bit flipped, and never becomes 0 (a pulse for
    which that can't be stays as it is). lines: mask 1..255 of the lines that all this happens on.
    """
    carried = [line for line in range(8) if lines >> line & 1]
    codes = [code for code in range(1, 256) if not code & ~lines]
    random = np.random.default_rng(seed)
    kind = random.random(len(pulses))
    result: list[Pulse] = []
    gone: set[int] = set()
    changed: dict[int, int] = {}
    for number, pulse in enumerate(pulses):
        if kind[number] < lost:
            gone.add(number)
            continue
        alterable = any(pulse.code != 1 << line for line in carried)
        if kind[number] < lost + altered and alterable:
            code = 0
            while not code:
                code = pulse.code ^ (1 << carried[int(random.integers(len(carried)))])
            changed[number] = code
            pulse = replace(pulse, code=code)
        result.append(pulse)
    added: list[Pulse] = []
    for _ in range(round(extra * len(pulses)) if len(pulses) > 1 else 0):
        place = int(random.integers(len(pulses) - 1))
        here, there = pulses[place], pulses[place + 1]
        free = there.time_us - here.time_us - here.width_us
        if free > 4 * here.width_us:
            at = here.time_us + 2 * here.width_us + random.random() * (free - 4 * here.width_us)
            if all(abs(other.time_us - at) > 3 * here.width_us for other in added):
                added.append(Pulse(at, codes[int(random.integers(len(codes)))], here.width_us))
    result = sorted([*result, *added], key=lambda pulse: pulse.time_us)
    return Disturbed(result, gone, changed, sorted(added, key=lambda pulse: pulse.time_us))


def changes_of(pulses: Sequence[Pulse], idle: int = 0) -> list[tuple[int, int]]:
    """The changes of the lines for pulses in order of time; one that begins early cuts the last."""
    changes: list[tuple[int, int]] = [(0, idle)]
    for number, pulse in enumerate(pulses):
        changes.append((round(pulse.time_us), pulse.code ^ idle))
        end = round(pulse.time_us + pulse.width_us)
        if number + 1 == len(pulses) or end < round(pulses[number + 1].time_us):
            changes.append((end, idle))
    return changes


def pulses_of(changes: Changes, idle: int = 0) -> list[Pulse]:
    """The pulses in changes of the lines: every stretch that is not idle."""
    return [
        Pulse(start, levels ^ idle, end - start)
        for (start, levels), (end, _) in pairwise(changes)
        if levels != idle
    ]
