"""What a seed gives: the kind of world, its script, and the world itself. From 0 on those of
`scripts`, the negative ones with markers and sequences ahead, from `PROBED` on with probes."""

from __future__ import annotations

import probed_world
import scripts
import scripts_ahead
from probed_world import ProbedWorld
from scripts import Step
from world import World

PROBED = 1_000_000_000


def script_of(seed: int) -> tuple[float, list[Step]]:
    """How much faster the host's clock is than the box's (ppm), and the script."""
    if seed < 0:
        return scripts_ahead.script_ahead(-1 - seed)
    return (0.0, probed_world.script_of(seed - PROBED)) if seed >= PROBED else (
        scripts.script_of(seed)
    )


def world_of(seed: int) -> type[World]:
    """The class of its world."""
    return ProbedWorld if seed >= PROBED else World


def kind_of(seed: int) -> str:
    """The name of its kind of world."""
    if seed < 0:
        profiles, at = scripts_ahead.PROFILES_AHEAD, -1 - seed
    elif seed >= PROBED:
        profiles, at = probed_world.PROFILES, seed - PROBED
    else:
        profiles, at = scripts.PROFILES, seed
    name = list(profiles)[at % len(profiles)]
    return f"probes, {name}" if seed >= PROBED else name
