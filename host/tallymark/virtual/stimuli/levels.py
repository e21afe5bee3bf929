"""Levels over time, as a sensor has them."""

from __future__ import annotations

from dataclasses import dataclass

from tallymark.virtual.virtual_box import VirtualBox

Levels = list[tuple[int, int]]
"""(time in µs, level from then on), in order."""
RAMP_STEPS = 16


@dataclass(frozen=True)
class Stimulus:
    """What a sensor has of one stimulus. onset_us: when its level passes half of the full one."""

    onset_us: int
    levels: Levels


def ramp(at_us: float, lasts_us: float, low: int, high: int) -> Levels:
    """From one level to another, in 16 steps."""
    return [
        (round(at_us + lasts_us * step / RAMP_STEPS), low + (high - low) * step // RAMP_STEPS)
        for step in range(1, RAMP_STEPS + 1)
    ]


def half_way(at_us: float, lasts_us: float) -> int:
    """When a ramp has come to half of its height."""
    return round(at_us + lasts_us * (RAMP_STEPS // 2) / RAMP_STEPS)


def present(device: VirtualBox, probe: str, stimulus: Stimulus) -> None:
    """Gives the levels to a probe of a virtual box. Raises ValueError if too many wait there."""
    for at_us, level in stimulus.levels:
        device.set_probe(probe, level, at_us)
