"""One made-up recording after another, each from its seed alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from generator.amplifier import EITHER, Recording, record, straight, whole
from generator.amplifier_damages import AMPLIFIER_DAMAGES
from generator.damages import DAMAGES, World
from generator.designs import DESIGNS, Floats, Ints, Sent
from generator.line_damages import LINE_DAMAGES

RATES = (250.0, 256.0, 500.0, 512.0, 1000.0, 2048.0, 5000.0, 10_000.0, 16384.0, 20_000.0)
SIZES = (10, 30, 60, 120, 240, 480)
ALL = DAMAGES | AMPLIFIER_DAMAGES | LINE_DAMAGES


@dataclass(eq=False)
class Case:
    """A recording, the log to hold against it, and the truth. known_time: of each marker, whether
    the log has its box time; log_time: what the log has."""

    seed: int
    design: str
    damage: str
    log: Sent
    log_time: Floats
    known_time: np.ndarray
    recording: Recording
    world: World

    @property
    def foreign(self) -> bool:
        """Whether the log is of another session."""
        return self.world.foreign

    @property
    def same_every_time(self) -> bool:
        """Whether the design gives the same session each time: nobody can tell two apart."""
        sent, log = self.world.sent, self.log
        if len(sent.time) != len(log.time) or (sent.code != log.code).any():
            return False
        return bool(np.abs((sent.time - sent.time[0]) - (log.time - log.time[0])).max() < 100.0)

    def truth(self) -> Ints:
        """Event of each marker, or why there is none (see `amplifier`)."""
        return np.full(len(self.log.time), -1) if self.foreign else self.recording.event


def make(seed: int, design: str, damage: str, size: int | None = None) -> Case:
    """The recording of a seed."""
    random = np.random.default_rng(seed)
    count = int(size or random.choice(SIZES))
    sent = DESIGNS[design](random, count)
    rate = float(random.choice(RATES))
    world = World(design, sent, straight(sent), whole(sent, random, rate))
    ALL[damage](world, random)
    recording = record(world.sent, world.lines, world.amplifier)
    recording.event[sorted(world.either)] = EITHER
    recording.maker[np.isin(recording.maker, sorted(world.either))] = -1
    log = DESIGNS[design](random, count) if world.foreign else world.sent
    known = ~np.isin(np.arange(len(log.time)), sorted(world.unconfirmed))
    time = log.time + np.where(known, 0.0, random.uniform(0.0, 3_000.0, len(log.time)))
    return Case(seed, design, damage, log, time, known, recording, world)


def cases(first_seed: int, count: int) -> Iterator[Case]:
    """Every design with every damage in turn, `count` in all."""
    both = [(design, damage) for damage in ALL for design in DESIGNS]
    order = np.random.default_rng(first_seed).permutation(len(both))
    for number in range(count):
        design, damage = both[order[number % len(both)]]
        yield make(first_seed * 1_000_003 + number, design, damage)
