"""Cuts a failing script down to the steps that it takes, and writes it as a test."""

from __future__ import annotations

from promise_errors import Broken
from scripts import Step, play
from world import World


def promise_broken(
    ppm: float, steps: list[Step], kind: type[World] = World
) -> Broken | None:
    """Which promise a script breaks; None if all hold."""
    try:
        with kind(ppm) as world:
            play(world, steps)
    except Broken as broken:
        return broken
    return None


def shrunk(
    ppm: float, steps: list[Step], promise: str, kind: type[World] = World
) -> list[Step]:
    """A script that breaks the same promise and from which no step can be left out."""
    size = len(steps) // 2
    while size:
        at = 0
        while at < len(steps):
            rest = steps[:at] + steps[at + size :]
            broken = promise_broken(ppm, rest, kind)
            if broken is not None and broken.promise == promise:
                steps = rest
            else:
                at += size
        size //= 2
    return steps


def as_test(name: str, ppm: float, steps: list[Step]) -> str:
    """The script as a test, to stand in test_regressions.py."""
    listed = "\n".join(f"        {step!r}," for step in steps)
    return (
        f"def test_{name}():\n    holds({ppm}, [\n{listed}\n    ])\n"
    )
