"""Scripts of the campaign on the simulated chips: the pins tell whether the promises held."""

from __future__ import annotations

from random import Random

import pytest
from chips import ChipWorld, NanoDevice, PicoDevice
from promise_errors import Broken
from scripts import Step, play

from tallymark.box.wire.answer_values import Edge

MARKERS = 40
SEQUENCES = (101, 111, 121)
"""The first code of each; three steps, played twice."""


def script(seed: int) -> list[Step]:
    """Markers with codes of their own, on a link with every kind of fault."""
    random = Random(seed)
    steps: list[Step] = []
    for code in range(1, MARKERS + 1):
        name = random.choice(["pulse", "pulse", "pulse", "set", "sleep", "wait"])
        fault = random.choice([None, None, None, None, None, "drop", "flip", "repeat", "cut",
                               "junk", "split", "late"])
        if fault is not None:
            way = random.choice(["to box", "to host"])
            amount = 2000 if fault in ("split", "late") else random.randrange(1 << 30)
            steps.append((way, fault, amount))
        steps.append(("set", code) if name == "set" else ("pulse", code, 300 + 100 * code))
        if name == "sleep":
            steps.append(("sleep", random.choice([200, 1000, 9000])))
        elif name == "wait":
            steps.append(("wait",))
    flood = ("flood box", 60, seed)
    return [*steps[:20], flood, *steps[20:], ("wait",), ("sleep", 20_000), ("set", 0)]


def script_of_restarts(seed: int) -> list[Step]:
    """The same, while the box loses its power, is restarted, and plays sequences."""
    random = Random(seed)
    steps = script(seed)
    for number, first in enumerate(SEQUENCES):
        played = [(code, 300 + 10 * code) for code in range(first, first + 3)]
        at = 6 + 14 * number + random.randrange(6)
        # The lines are idle, so that the sequence is not refused.
        steps[at:at] = [("set", 0), ("wait",), ("sleep", 9000), ("sequence", played, 2),
                        ("sleep", random.choice([1000, 4000, 15_000])),
                        random.choice([("stop",), ("restart",), ("power", 0, 1)])]
    steps[20:20] = [("power", random.choice([0, 350, 5000]), 1)]
    return [*steps[:30], ("restart",), *steps[30:]]


def pins_are_looked_at(world: ChipWorld) -> None:
    """Pins that did something else are found out."""
    first = next(edge for edge in world.pins if edge.levels)
    at = world.pins.index(first)
    before, after = world.pins[:at], world.pins[at + 1 :]
    for promise, pins in {
        "confirmed-is-true": [*before, Edge(first.time_us, 0), *after],
        "at-most-once": [*world.pins, Edge(world.life_us, first.levels)],
        "lines-lawful": [*world.pins, Edge(world.life_us, 200)],
    }.items():
        with pytest.raises(Broken, match=promise):
            world.check_pins(pins)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("device", [NanoDevice, PicoDevice], ids=["nano", "pico"])
def test_promises_hold_on_a_chip(device, seed):
    chip = device()
    try:
        with ChipWorld(chip) as world:
            play(world, script(seed))
            world.finish()
            told = {name: times for name, times in world.counts.items() if "told" in name}
            assert world.counts["told: done"] > MARKERS // 2, told
            assert len(world.pins) > MARKERS // 2
            pins_are_looked_at(world)
    finally:
        chip.close()


@pytest.mark.parametrize("seed", [3, 4])
@pytest.mark.parametrize("device", [NanoDevice, PicoDevice], ids=["nano", "pico"])
def test_promises_hold_on_a_chip_that_restarts_and_plays_sequences(device, seed):
    chip = device()
    codes = frozenset(first + step for first in SEQUENCES for step in range(3))
    try:
        with ChipWorld(chip, codes) as world:
            play(world, script_of_restarts(seed))
            world.finish()
            assert world.starts > 2
            assert world.counts["told: done"] > MARKERS // 2
            sequence = next(each for each in world.ledger.after if each.steps)
            first = sequence.steps[0][0]
            at = next(at for at, edge in enumerate(world.pins) if edge.levels == first)
            late = world.pins[at + 1]
            for promise, pins in {
                "confirmed-is-true": [edge for edge in world.pins if edge.levels not in codes],
                "lines-lawful": [
                    *world.pins[: at + 1],
                    Edge(late.time_us + 3, late.levels),
                    *world.pins[at + 2 :],
                ],
            }.items():
                with pytest.raises(Broken, match=promise):
                    world.check_pins(pins)
    finally:
        chip.close()
