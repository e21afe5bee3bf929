"""What happens between box and amplifier: wires, other devices, programs that stamp late."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from generator.amplifier import Lines
from generator.damages import Damage, World, add_extra
from generator.designs import Ints


def _used(world: World) -> list[int]:
    return [line for line in range(8) if (world.sent.code >> line & 1).any()]


def _map(world: World, codes: Ints) -> None:
    """codes: what each of 256 codes becomes."""
    world.codes = codes
    world.lines.code = codes[world.lines.code]
    world.lines = world.lines.kept(world.lines.code > 0)
    world.planted["mapped"] = 1


def stuck_line(world: World, random: Generator) -> None:
    """One line that is used never changes."""
    _map(world, np.arange(256) & ~(1 << int(random.choice(_used(world)))))


def bridged_lines(world: World, random: Generator) -> None:
    """Two lines touch: both are active where one is."""
    first = int(random.choice(_used(world)))
    second = int(random.choice([line for line in range(8) if line != first]))
    codes, both = np.arange(256), 1 << first | 1 << second
    _map(world, np.where(codes & both > 0, codes | both, codes))


def swapped_lines(world: World, random: Generator) -> None:
    """Two lines are exchanged."""
    first = int(random.choice(_used(world)))
    second = int(random.choice([line for line in range(8) if line != first]))
    codes = np.arange(256)
    rest = codes & ~(1 << first | 1 << second)
    _map(world, rest | (codes >> first & 1) << second | (codes >> second & 1) << first)


def reversed_lines(world: World, random: Generator) -> None:
    """All eight lines are in reverse order."""
    del random
    codes = np.arange(256)
    _map(world, sum((codes >> line & 1) << (7 - line) for line in range(8)))


def another_device(world: World, random: Generator) -> None:
    """Another device on the same lines sends a code of its own: regularly, or now and then."""
    begin, end = world.amplifier.start, world.amplifier.end
    if random.random() < 0.5:
        time = np.arange(begin + random.uniform(0, 1e6), end, random.choice([0.85e6, 1e6, 2.5e6]))
    else:
        time = begin + np.cumsum(0.4e6 + random.exponential(2e6, int((end - begin) / 2e6)))
        time = time[time < end]
    code = int(random.choice([64, 128, int(world.sent.code[0])]))
    add_extra(world, time, np.full(len(time), code), 12_000.0)
    world.planted["extra"] = 1


def answers_of_the_subject(world: World, random: Generator) -> None:
    """A button is pressed some time after four in five of the markers, and is recorded too."""
    pressed = world.sent.time[random.random(len(world.sent.time)) < 0.8]
    time = pressed + 2e5 + 1e5 * random.lognormal(0.3, 0.6, len(pressed))
    add_extra(world, np.sort(time), np.full(len(time), 128), 12_000.0)
    world.planted["extra"] = 1


def late_stamps(world: World, random: Generator) -> None:
    """A program stamps the events late: by a lognormal time of some ms."""
    median = float(random.choice([400.0, 1_500.0, 4_000.0]))
    _delay(world, median * random.lognormal(0.0, 0.5, len(world.lines.time)))


def two_delays(world: World, random: Generator) -> None:
    """A program stamps the events at once or one turn of its loop (4 or 8 ms) later."""
    turn = float(random.choice([4_000.0, 8_000.0]))
    _delay(world, turn * (random.random(len(world.lines.time)) < 0.3))


def _delay(world: World, late: np.ndarray) -> None:
    lines = world.lines
    # No event overtakes another.
    time = np.maximum.accumulate(lines.time + np.minimum(late, 16_000.0))
    time[1:] = np.maximum(time[1:], time[:-1] + 1)
    width = np.minimum(lines.width, max(1_000.0, 2e6 / world.amplifier.rate))
    world.lines = Lines(np.round(time), lines.code, width, lines.maker)
    world.stamped = True
    world.planted["late"] = float(np.ptp(late)) if len(late) else 0.0


LINE_DAMAGES: dict[str, Damage] = {
    one.__name__: one
    for one in (
        stuck_line,
        bridged_lines,
        swapped_lines,
        reversed_lines,
        another_device,
        answers_of_the_subject,
        late_stamps,
        two_delays,
    )
}
