"""What happens to sessions on the way. A damage changes the lines, or the amplifier."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from generator.amplifier import Amplifier, Lines
from generator.designs import Floats, Ints, Sent


@dataclass
class World:
    """A session on its way. unconfirmed: markers for which the log has no answer. either: markers
    of which it is a matter of words whether their event is there. stamped: a program timed the
    events. codes: what each code becomes. planted: what was planted, for the oracle."""

    design: str
    sent: Sent
    lines: Lines
    amplifier: Amplifier
    unconfirmed: set[int] = field(default_factory=set)
    either: set[int] = field(default_factory=set)
    foreign: bool = False
    stamped: bool = False
    codes: Ints = field(default_factory=lambda: np.arange(256))
    planted: dict[str, float] = field(default_factory=dict)


def moment(world: World, random: Generator) -> float:
    """A time in the recording, not near its ends."""
    low, high = world.amplifier.start, world.amplifier.end
    return float(random.uniform(low + 0.1 * (high - low), low + 0.9 * (high - low)))


def _lose(world: World, random: Generator, seconds: float) -> None:
    when = moment(world, random)
    seconds = min(seconds, 0.3 * (world.amplifier.end - when) / 1e6)
    world.amplifier.lost.append((when, max(int(seconds * world.amplifier.rate), 1)))
    world.planted["jumps"] = world.planted.get("jumps", 0) + 1


def none(world: World, random: Generator) -> None:
    """Nothing at all."""


def drop_20_ms(world: World, random: Generator) -> None:
    """20 ms are missing."""
    _lose(world, random, 0.02)


def drop_few(world: World, random: Generator) -> None:
    """Three or four samples are missing, up to three times."""
    for _ in range(int(random.integers(1, 4))):
        when = moment(world, random)
        world.amplifier.lost.append((when, int(random.integers(3, 5))))
        world.planted["jumps"] = world.planted.get("jumps", 0) + 1


def gap_10_s(world: World, random: Generator) -> None:
    """10 s are missing."""
    _lose(world, random, 10.0)


def gap_60_s(world: World, random: Generator) -> None:
    """60 s are missing, or as much as the session allows."""
    _lose(world, random, 60.0)


def restart(world: World, random: Generator) -> None:
    """The recording was stopped and started again into one file."""
    _lose(world, random, float(random.uniform(5, 200)))


def late_start(world: World, random: Generator) -> None:
    """The recording began when up to half of the session was over."""
    at = int(random.uniform(0.05, 0.5) * len(world.sent.time))
    world.amplifier.start = float(world.sent.time[at] - random.uniform(0.1, 0.35) * 1e6)
    world.planted["open_start"] = 1


def early_end(world: World, random: Generator) -> None:
    """The recording ended before the session."""
    at = int(random.uniform(0.5, 0.95) * len(world.sent.time))
    world.amplifier.end = float(world.sent.time[at] + random.uniform(0.1, 0.35) * 1e6)
    world.planted["open_end"] = 1


def unconfirmed(world: World, random: Generator) -> None:
    """3 % of the markers have no answer; one in ten of these never went out."""
    which = np.flatnonzero(random.random(len(world.sent.time)) < 0.03)
    world.unconfirmed |= set(which.tolist())
    lost = which[random.random(len(which)) < 0.1]
    world.lines = world.lines.kept(~np.isin(world.lines.maker, lost))


def missing(world: World, random: Generator) -> None:
    """3 % of the markers never reach the amplifier."""
    world.lines = world.lines.kept(random.random(len(world.lines.time)) >= 0.03)
    world.planted["missed"] = 0.03


def runs_missing(world: World, random: Generator) -> None:
    """The cable was out, once or twice."""
    keep = np.ones(len(world.lines.time), bool)
    for _ in range(int(random.integers(1, 3))):
        first = int(random.integers(0, len(keep)))
        keep[first : first + int(random.integers(4, 40))] = False
    world.lines = world.lines.kept(keep)
    world.planted["deaf"] = 2


def extra(world: World, random: Generator) -> None:
    """Events that nobody sent, 3 % as many as markers."""
    count = max(int(0.03 * len(world.sent.time)), 1)
    time = np.sort(random.uniform(world.amplifier.start, world.amplifier.end, count))
    add_extra(world, time, random.choice(world.sent.code, count), 5_000.0)
    world.planted["extra"] = 0.03


def add_extra(world: World, time: Floats, code: Ints, width: float) -> None:
    """Pulses that nobody sent, where no other pulse is: there two codes would be one, and whose
    event it is would be a matter of words."""
    lines = world.lines
    order = np.argsort(lines.time, kind="stable")
    begin, end = lines.time[order], (lines.time + lines.width)[order]
    at = np.clip(np.searchsorted(begin, time), 1, max(len(begin) - 1, 1))
    free = time > end[at - 1] + 5e6 / world.amplifier.rate
    free &= (time + 2.5e4 < begin[at]) | (time > begin[-1])
    time, code = time[free], code[free]
    world.lines = Lines(
        np.concatenate((lines.time, np.round(time))),
        np.concatenate((lines.code, code)),
        np.concatenate((lines.width, np.full(len(time), width))),
        np.concatenate((lines.maker, np.full(len(time), -1))),
    )


def held(world: World, random: Generator) -> None:
    """Codes stay until the next marker."""
    world.amplifier.held = True
    world.sent.width[:] = np.diff(world.sent.time, append=world.sent.time[-1] + 1e6)


def overlapping(world: World, random: Generator) -> None:
    """Pulses longer than some of the intervals: each ends the one before."""
    steps = np.diff(world.sent.time, append=world.sent.time[-1] + 1e6)
    world.sent.width[:] = world.lines.width[:] = float(np.quantile(steps, 0.5)) * 1.1


def pairs(world: World, random: Generator) -> None:
    """Markers in quick succession, nearer than two samples, at a few places."""
    time, code, width = world.sent.time, world.sent.code, world.sent.width
    which = np.flatnonzero(random.random(len(time)) < 0.04)
    sample = 1e6 / world.amplifier.rate
    near = np.round(time[which] + random.uniform(0.2, 2.0, len(which)) * sample)
    order = np.argsort(np.concatenate((time, near)), kind="stable")
    world.sent.time = np.concatenate((time, near))[order]
    world.sent.code = np.concatenate((code, random.choice(code, len(which))))[order]
    world.sent.width = np.concatenate((width, width[which]))[order]
    world.lines = Lines(
        world.sent.time.copy(),
        world.sent.code.copy(),
        world.sent.width.copy(),
        np.arange(len(order)),
    )


def loose_line(world: World, random: Generator) -> None:
    """One line that is used makes bad contact, half of the time."""
    line = int(random.choice([n for n in range(8) if (world.sent.code >> n & 1).any()]))
    off = random.random(len(world.lines.time)) < 0.5
    world.lines.code = np.where(off, world.lines.code & ~(1 << line), world.lines.code)
    world.lines = world.lines.kept(world.lines.code > 0)
    world.planted["loose"] = 1


def altered(world: World, random: Generator) -> None:
    """2 % of the codes are changed in one line."""
    which = random.random(len(world.lines.time)) < 0.02
    changed = world.lines.code ^ (1 << random.integers(0, 8, len(which)))
    world.lines.code = np.where(which & (changed > 0), changed, world.lines.code)
    world.planted["altered"] = 0.02


def foreign(world: World, random: Generator) -> None:
    """The log is of another session with the same settings."""
    world.foreign = True


Damage = Callable[[World, Generator], None]


def _mixed(*parts: Damage) -> Damage:
    def mixture(world: World, random: Generator) -> None:
        for part in parts:
            part(world, random)

    mixture.__doc__ = "Several of them: " + ", ".join(part.__name__ for part in parts) + "."
    return mixture


DAMAGES: dict[str, Damage] = {
    one.__name__: one
    for one in (
        none,
        drop_20_ms,
        drop_few,
        gap_10_s,
        gap_60_s,
        restart,
        late_start,
        early_end,
        unconfirmed,
        missing,
        runs_missing,
        extra,
        held,
        overlapping,
        pairs,
        loose_line,
        altered,
        foreign,
    )
}
DAMAGES["missing, drop, extra"] = _mixed(missing, drop_20_ms, extra)
DAMAGES["late start, loose line, drop"] = _mixed(late_start, loose_line, drop_20_ms)
DAMAGES["gap, unconfirmed, altered"] = _mixed(gap_10_s, unconfirmed, altered)
