"""Scripts with markers that are given ahead of their time: waiting ones are taken back, the box
starts again over them, and notices of their edges get lost."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import scripts
from ahead_checks import TO_COME, Ahead
from promise_errors import Broken
from scripts import _USUAL, CODES, DO, WIDTHS, Step
from world import World

from tallymark import Marker, Outcome
from tallymark.common.errors import Refused

_TIMES_US = (150, 700, 2000, 15_000, 200_000, 1_500_000)
_SPACINGS_US = (60, 1000, 5000, 30_000)


def _given(world: World, send: Callable[[float], Marker], after_us: int, late_us: int) -> None:
    """Gives a marker for so much later, and notes what the library knew of the box's clock."""
    box = world.box
    assert box is not None
    at_s = box.pacing.now() + after_us * 1e-6
    bound_us = box.clock.to_box(at_s)[1] if box.clock else 0.0
    world.attach(send(at_s))
    assert world.session is not None
    world.session.asked[-1].ahead = Ahead(at_s, late_us * 1e-6, bound_us * 1e-6)
    world.count("markers given ahead")


def _pulse(world: World, code: int, width_us: int | None, after_us: int, late_us: int) -> None:
    late_s = late_us * 1e-6
    _given(world, lambda at_s: world.box.pulse(code, width_us, at=at_s, late_s=late_s),
           after_us, late_us)


def _set(world: World, code: int, after_us: int, late_us: int) -> None:
    _given(world, lambda at_s: world.box.set(code, at=at_s, late_s=late_us * 1e-6),
           after_us, late_us)


def _sequence(
    world: World, steps: list[tuple[int, int]], repeats: int, after_us: int
) -> None:
    assert world.box is not None
    assert world.session is not None
    sequence = world.box.sequence(steps, repeats)
    world.steps_loaded = steps * repeats
    before = len(world.session.asked)
    try:
        _given(world, lambda at_s: sequence.start(at=at_s), after_us, 0)
    except Refused as error:
        for asked in world.session.asked[before:]:
            asked.settled = Outcome.REFUSED
            if asked.runs:
                raise Broken("refused-is-true", f"a sequence was played: {error}") from error
        raise
    world.count("sequences given ahead")


def _many(world: World, count: int, code: int, after_us: int, spacing_us: int) -> None:
    for number in range(count):
        _pulse(world, 1 + (code + number) % 255, 50, after_us + number * spacing_us, 0)


def _cancel_one(world: World, which: int) -> None:
    assert world.session is not None
    waiting = [
        asked.marker for asked in world.session.asked
        if asked.marker is not None and asked.marker.outcome is Outcome.ACCEPTED
    ]
    if waiting:
        _cancelled(world, world.box.cancel(waiting[which % len(waiting)]))


def _cancelled(world: World, taken: list[Marker]) -> None:
    for marker in taken:
        world.count("markers taken back")
        if marker.outcome is not Outcome.REFUSED:
            raise Broken("refused-is-true", f"{marker} counts as taken back")


def _wait_for_all(world: World) -> None:
    scripts.DO["wait"](world)
    for asked in world.session.asked:
        if asked.marker is not None and asked.marker.outcome in TO_COME:
            raise Broken("nothing-stays-open", f"wait() came back with {asked.marker}")


DO.update({
    "pulse ahead": _pulse,
    "set ahead": _set,
    "many ahead": _many,
    "sequence ahead": _sequence,
    "cancel one": _cancel_one,
    "cancel all": lambda world: _cancelled(world, world.box.cancel()),
    "wait for all": _wait_for_all,
})

_AHEAD = _USUAL | {"pulse ahead": 40, "set ahead": 5, "many ahead": 3, "sequence ahead": 8,
                   "cancel one": 5, "cancel all": 2, "wait for all": 6, "sync": 4}
PROFILES_AHEAD: dict[str, dict[str, int]] = {
    "ahead": _AHEAD,
    "ahead, lossy link": _AHEAD | {"to box": 12, "to host": 25, "silence": 1, "latency": 1},
    "ahead, restarts": _AHEAD | {"power": 8, "restart": 3, "to host": 4},
    "ahead, two hosts": _AHEAD | {"close": 5, "kill": 5, "unplug": 3, "blocks": 2},
    "ahead, everything": _AHEAD | {"to box": 8, "to host": 12, "flood box": 2, "flood host": 2,
                                   "power": 3, "restart": 1, "close": 2, "kill": 2, "byte": 8,
                                   "disk": 3, "settings": 4, "latency": 1},
}


def script_ahead(seed: int, length: int = 80) -> tuple[float, list[Step]]:
    """See `scripts.script_of`."""
    random = Random(f"ahead {seed}")
    weights = PROFILES_AHEAD[list(PROFILES_AHEAD)[seed % len(PROFILES_AHEAD)]]
    names = random.choices(list(weights), list(weights.values()), k=length)
    steps = [_draw(name, random) for name in names]
    return random.choice([0.0, 20.0, -50.0, 200.0, 5000.0, -5000.0]), steps


def _draw(name: str, random: Random) -> Step:
    pick = random.choice
    if name == "pulse ahead":
        return (name, pick(CODES), pick([None, None, *WIDTHS]), pick(_TIMES_US),
                pick([0, 0, 300, 50_000]))
    if name == "set ahead":
        return (name, pick([0, *CODES]), pick(_TIMES_US), pick([0, 300]))
    if name == "many ahead":
        return (name, random.randrange(2, 40), random.randrange(255), pick(_TIMES_US),
                pick(_SPACINGS_US))
    if name == "sequence ahead":
        return (name, scripts._draw_sequence(random), random.randrange(1, 4), pick(_TIMES_US))
    if name == "cancel one":
        return (name, random.randrange(40))
    if name in ("cancel all", "wait for all"):
        return (name,)
    return scripts._draw(name, random)
