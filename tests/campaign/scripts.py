"""Scripts: what happens in a world, as a list of plain tuples that a seed gives and that can be cut
shorter. Nothing is left to chance once the list is made."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

from promise_errors import Broken, Killed
from world import World

from tallymark.box.wire.protocol_enumerations import ByteMode, Cause, Idle, Overlap, Request
from tallymark.common.errors import PortGone, Refused, TallymarkError

Step = tuple[Any, ...]

PAST_32_BITS_US = 2**32 + 12_345
LONGEST_WAIT_US = 10_000_000
"""An answer is given up after about a second, each question for a fate after half a second more."""
CODES = (1, 2, 3, 5, 64, 128, 170, 255)
WIDTHS = (1, 50, 900, 1000, 5000, 20_000)
GAPS = (0, 0, 0, 1, 300, 2000, 40_000)


# What a step does ------------------------------------------------------------------------------


def _pulse(world: World, code: int, width_us: int | None) -> None:
    world.attach(world.box.pulse(code, width_us))


def _set(world: World, code: int) -> None:
    world.attach(world.box.set(code))


def _burst(world: World, count: int, code: int) -> None:
    for number in range(count):
        _pulse(world, 1 + (code + number) % 255, 200)


def _wait(world: World) -> None:
    begin = world.life_us
    open_ones = world.box.wait()
    if world.life_us - begin > LONGEST_WAIT_US:
        waited_s = (world.life_us - begin) * 1e-6
        raise Broken("no-stuck-library", f"wait() took {waited_s:.1f} s")
    if any(asked.marker is not None and asked.marker.outcome.value == "open"
           for asked in world.session.asked):
        raise Broken("nothing-stays-open", f"wait() came back with {open_ones}")


def _sleep(world: World, us: int) -> None:
    if us > 2**32:
        world.count("jumps of time past 2^32 µs")
    world.box.pacing.sleep(us * 1e-6)


def _sequence(world: World, steps: list[tuple[int, int]], repeats: int) -> None:
    sequence = world.box.sequence(steps, repeats)
    world.steps_loaded = steps * repeats
    before = len(world.session.asked)
    try:
        world.attach(sequence.start())
        world.session.asked[-1].steps = steps * repeats
    except Refused as error:
        if any(asked.runs for asked in world.session.asked[before:]):
            raise Broken("refused-is-true", f"a sequence was played: {error}") from error
        raise


def _stop(world: World) -> None:
    world.box.link.ask(Request.SEQUENCE_STOP)


def _settings(world: World, changes: dict[str, Any]) -> None:
    kinds = {"idle": Idle, "overlap": Overlap, "byte_mode": ByteMode}
    world.settings(**{key: kinds.get(key, int)(value) for key, value in changes.items()})


def _capture(world: World, send: bool) -> None:
    with world.box.capture(send=send) as capture:
        world.attach(world.box.pulse(9, 400))
        world.box.pacing.sleep(0.001)
    capture.fetch()


def _later(world: World, after_us: int, action: Callable[[], None]) -> None:
    world.at(world.life_us + after_us, action)


def _unplug(world: World) -> None:
    port = world._port
    if port is not None:
        world.trace("unplug")
        world.count("unplugs")
        port.failed = True


def _unheard(world: World, cause: int, more_us: int) -> None:
    """The box starts, nobody hears of it, and then its time passes all that was known of it. While
    no session is in force, nothing would show it."""
    up_us = world.model.now
    world.restart_box(Cause(cause), heard=not world.is_in_session())
    world.go_on(world.life_us + up_us + more_us)


def _disk(world: World, kind: str, before: int, amount: int) -> None:
    world.disk.faults.extend([("fine", 0)] * before + [(kind, amount)])
    world.count(f"disk: {kind}")


def _blocks(world: World) -> None:
    if world._port is not None:
        world._port.blocks = True
        world.count("fault: port takes half a request")


def _silence(world: World, us: int) -> None:
    world.count("fault: silence")
    for way in (world.to_box, world.to_host):
        way.silent_until = world.life_us + us


def _latency(world: World, to_box_us: int, to_host_us: int) -> None:
    world.to_box.latency_us, world.to_host.latency_us = to_box_us, to_host_us


DO: dict[str, Callable[..., None]] = {
    "pulse": _pulse,
    "set": _set,
    "burst": _burst,
    "wait": _wait,
    "sleep": _sleep,
    "sequence": _sequence,
    "stop": _stop,
    "settings": _settings,
    "keep": lambda world: world.box.settings.keep() and None,
    "factory": lambda world: world.box.settings.factory() and None,
    "sync": lambda world: world.box.sync_clock(3) and None,
    "levels": lambda world: world.box.levels() and None,
    "counters": lambda world: world.box.counters() and None,
    "capture": _capture,
    "restart": lambda world: world.box.restart(),
}
"""Steps of the host program, which need an open box."""

HAPPENS: dict[str, Callable[..., None]] = {
    "byte": lambda world, after, code: _later(world, after, lambda: world.byte(code)),
    "power": lambda world, after, cause: _later(
        world, after, lambda: world.restart_box(Cause(cause))
    ),
    "unheard": _unheard,
    "unplug": lambda world, after: _later(world, after, lambda: _unplug(world)),
    "to box": lambda world, kind, amount: world.to_box.faults.append((kind, amount)),
    "to host": lambda world, kind, amount: world.to_host.faults.append((kind, amount)),
    "flood box": lambda world, size, seed: world.to_box.flood(Random(seed).randbytes(size), 0),
    "flood host": lambda world, size, seed: world.to_host.flood(
        Random(seed).randbytes(size), world.model.starts
    ),
    "silence": _silence,
    "blocks": _blocks,
    "disk": _disk,
    "kill": lambda world, steps, share: world.kill_after(steps, share),
    "drift": lambda world, ppm: world.drift_to(ppm),
    "latency": _latency,
    "close": lambda world: world.close(),
}
"""Steps of everything else."""


def play(world: World, steps: list[Step]) -> None:
    """Carries out a script, and checks every promise after every step. Raises Broken."""
    for step in [*steps, ("close",)]:
        _play_one(world, step)
    world.to_box.faults.clear()
    world.to_host.faults.clear()


def _play_one(world: World, step: Step) -> None:
    name, *given = step
    world.count("steps")
    world.trace("step", name)
    try:
        if name in HAPPENS:
            HAPPENS[name](world, *given)
        else:
            if world.box is None:
                world.open()
            DO[name](world, *given)
        world.check()
    except Killed:
        world.host_died()
    except TallymarkError as error:
        world.count(f"told: {type(error).__name__}")
        world.trace("told", type(error).__name__)
        world.check()
        if isinstance(error, PortGone) or world.box is None:
            world.close()
    except (Broken, KeyboardInterrupt):
        raise
    except Exception as error:
        raise Broken("no-stuck-library", f"{name} failed with {error!r}") from error


# What a seed gives -----------------------------------------------------------------------------

_LINK_FAULTS = ("drop", "repeat", "flip", "cut", "junk", "split", "late")
_USUAL = {"pulse": 30, "set": 6, "sleep": 30, "wait": 8, "burst": 2, "sync": 2, "levels": 2,
          "counters": 2, "sequence": 2, "stop": 2, "settings": 2, "capture": 1, "drift": 1}
PROFILES: dict[str, dict[str, int]] = {
    "calm": _USUAL,
    "lossy link": _USUAL | {"to box": 15, "to host": 15, "silence": 1, "latency": 1},
    "floods": _USUAL | {"flood box": 8, "flood host": 8, "to host": 4},
    "restarts": _USUAL | {"power": 6, "restart": 3, "keep": 3, "factory": 2, "to box": 4},
    "two hosts": _USUAL | {"close": 6, "kill": 6, "unplug": 4, "to host": 3, "blocks": 2},
    "bytes": _USUAL | {"byte": 40, "settings": 6, "power": 1, "to host": 4},
    "bad disk": _USUAL | {"disk": 12, "kill": 2, "byte": 6},
    "long times": _USUAL | {"jump": 6, "long": 4, "power": 1, "to host": 3},
    "everything": _USUAL | {"to box": 8, "to host": 8, "flood box": 2, "flood host": 2,
                            "power": 2, "restart": 1, "keep": 1, "close": 2, "kill": 2,
                            "unplug": 1, "byte": 10, "disk": 3, "jump": 1, "silence": 1,
                            "latency": 1, "blocks": 1, "factory": 1},
}


def script_of(seed: int, length: int = 80) -> tuple[float, list[Step]]:
    """The script of a seed, and how much faster the host's clock is than the box's (ppm)."""
    random = Random(seed)
    weights = PROFILES[list(PROFILES)[seed % len(PROFILES)]]
    names = random.choices(list(weights), list(weights.values()), k=length)
    steps = [_draw(name, random) for name in names]
    if "byte" in weights or random.random() < 0.5:
        steps.insert(0, ("settings", _draw_settings(random)))
    _put_in_unheard_starts(seed, steps)
    return random.choice([0.0, 20.0, -50.0, 200.0, 5000.0, -5000.0]), steps


def _put_in_unheard_starts(seed: int, steps: list[Step]) -> None:
    """In one script of four: drawn beside it, so that all else stays as it was."""
    random = Random(f"unheard {seed}")
    if random.random() < 1 / 4:
        for _ in range(random.randrange(1, 4)):
            step = ("unheard", random.randrange(1, 5), random.choice([1, 1000, 40_000_000]))
            steps.insert(random.randrange(len(steps)), step)


def _draw(name: str, random: Random) -> Step:
    pick = random.choice
    draw: dict[str, Callable[[], Step]] = {
        "pulse": lambda: ("pulse", pick(CODES), pick([None, None, *WIDTHS])),
        "set": lambda: ("set", pick([0, *CODES])),
        "burst": lambda: ("burst", random.randrange(2, 100), random.randrange(255)),
        "sleep": lambda: ("sleep", pick([1, 100, 400, 1000, 5000, 30_000, 600_000, 2_500_000])),
        "jump": lambda: ("sleep", PAST_32_BITS_US),
        "long": lambda: ("pulse", pick(CODES), 3_600_000_000),
        "sequence": lambda: ("sequence", _draw_sequence(random), random.randrange(1, 4)),
        "settings": lambda: ("settings", _draw_settings(random)),
        "capture": lambda: ("capture", pick([False, True])),
        "byte": lambda: ("byte", pick([0, 0, 500, 20_000]), pick([0, *CODES])),
        "power": lambda: ("power", pick([0, 100, 350, 5000, 100_000]), random.randrange(1, 5)),
        "unplug": lambda: ("unplug", pick([0, 100, 350, 5000])),
        "to box": lambda: ("to box", *_draw_fault(random)),
        "to host": lambda: ("to host", *_draw_fault(random)),
        "flood box": lambda: ("flood box", random.randrange(1, 200), random.randrange(1 << 30)),
        "flood host": lambda: ("flood host", random.randrange(1, 200), random.randrange(1 << 30)),
        "silence": lambda: ("silence", pick([3000, 400_000, 700_000, 4_000_000])),
        "disk": lambda: (
            "disk", pick(["short", "full"]), random.randrange(4), random.randrange(99)
        ),
        "kill": lambda: ("kill", random.randrange(12), pick([0, 3, 1000, 7919, 9999])),
        "drift": lambda: ("drift", random.uniform(-1, 1)),
        "latency": lambda: ("latency", pick([1, 125, 3000]), pick([1, 125, 16_000])),
    }
    return draw[name]() if name in draw else (name,)


def _draw_fault(random: Random) -> tuple[str, int]:
    kind = random.choice(_LINK_FAULTS)
    if kind in ("split", "late"):
        return kind, random.choice([200, 5000, 300_000, 600_000, 1_300_000])
    return kind, random.randrange(1 << 30)


def _draw_sequence(random: Random) -> list[tuple[int, int]]:
    return [
        (random.choice([0, *CODES]), random.choice([1, 300, 5000, 100_000]))
        for _ in range(random.randrange(1, 6))
    ]


def _draw_settings(random: Random) -> dict[str, Any]:
    pick = random.choice
    settings = {
        "width_us": pick(WIDTHS),
        "gap_us": pick(GAPS),
        "hold_limit_us": pick([0, 0, 1000, 700_000]),
        "lines": pick([255, 255, 255, 7]),
        "idle": pick([0, 0, 1]),
        "overlap": pick([0, 0, 1]),
        "byte_mode": random.randrange(4),
    }
    return settings | _strobe_for(settings)


def _strobe_for(settings: dict[str, Any]) -> dict[str, Any]:
    """A strobe, in one of three: drawn from the settings, so that all else stays as it was."""
    random = Random(repr(settings))
    if random.random() > 1 / 3:
        return {}
    lead, hold = random.choice([1, 40, 300]), random.choice([1, 60, 300])
    return {
        "strobe": 128 if settings["lines"] == 255 else 4,
        "strobe_lead_us": lead,
        "strobe_hold_us": hold,
        "width_us": max(settings["width_us"], lead + hold + 1),
    }
