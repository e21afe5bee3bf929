"""Scripts of the campaign on the simulated chips: the pins tell whether the promises held."""

from __future__ import annotations

from random import Random

import pytest
from chips import ChipWorld, NanoDevice, PicoDevice
from scripts import Step, play

MARKERS = 40


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
    return [*steps[:20], flood, *steps[20:], ("wait",), ("set", 0), ("sleep", 20_000)]


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
    finally:
        chip.close()
