"""A planted bug breaks the promise that it is meant to break, and the script alone breaks none."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

from script_reduction import promise_broken
from scripts import Step
from world import World


def check_found(
    bug: Callable[[], AbstractContextManager[None]],
    promise: str,
    ppm: float,
    steps: list[Step],
    kind: type[World] = World,
) -> None:
    """Plays the script without the bug and with it."""
    assert promise_broken(ppm, steps, kind) is None
    with bug():
        broken = promise_broken(ppm, steps, kind)
    assert broken is not None, "nothing was found"
    assert broken.promise == promise
