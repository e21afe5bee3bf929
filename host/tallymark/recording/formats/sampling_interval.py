"""The time grid of an event list: sampled events lie on multiples of the sampling interval."""

from __future__ import annotations

import numpy as np

from tallymark.recording.recording_data import Bools, Floats

SLOWEST_HZ = 64.0
"""A coarser grid is the experiment's own (events at 2 Hz, say) and tells nothing of sampling."""

_FASTEST_HZ = 50_000.0
_CHANCE = 1e-6
TRIED = 70_000  # intervals


def find_grid(times_us: Floats, step_us: float) -> float | None:
    """The coarsest interval in microseconds on whose multiples all times lie, apart from a shift
    that all have. None if there is none, if chance could explain it, or if it is coarser than
    sampling.

    Only intervals of a whole number of hertz or of microseconds are found.

    Args:
        times_us: at least 4 times, in any order.
        step_us: with how fine a step they are written; each may be off by that much.
    """
    times = np.unique(np.asarray(times_us, float))
    if len(times) < 4:
        return None
    times -= times[0]
    some = times[np.linspace(1, len(times) - 1, min(24, len(times) - 1)).astype(int)]
    hertz = np.arange(1.0, _FASTEST_HZ + 1)
    interval = np.unique(np.concatenate((1e6 / hertz, np.arange(20.0, 20_001.0))))[::-1]
    interval = interval[_fits(some, interval, step_us)]
    for value in interval:
        each = np.array([value])
        if all(_fits(part, each, step_us)[0] for part in np.array_split(times, 64)):
            chance = _share(each, step_us)[0] ** (len(times) - 1) * TRIED
            usable = value <= 1e6 / SLOWEST_HZ and chance < _CHANCE
            return float(value) if usable else None
    return None


def may_be_chance(times_us: Floats, interval_us: float, step_us: float) -> bool:
    """Whether a grid that was found may be chance, as the intervals between the times repeat: what
    fits one of them fits all that are alike. Arguments as in `find_grid`."""
    between = np.diff(np.unique(times_us))
    kinds = len(np.unique(np.round(between / max(2 * step_us, 1e-3))))
    share = float(_share(np.array([interval_us]), step_us)[0])
    return share**kinds * TRIED >= _CHANCE


def _fits(times: Floats, interval: Floats, step: float) -> Bools:
    margin: Floats = np.where(_is_multiple(interval, step), 0.01 * interval, step) + 1e-3
    count = times[None, :] / interval[:, None]
    off = np.abs(count - np.rint(count)) * interval[:, None]
    near: Bools = off <= margin[:, None]
    return np.asarray(near.all(axis=1) & (_share(interval, step) < 0.6))


def _share(interval: Floats, step: float) -> Floats:
    """Share of the times that would fit by chance."""
    result: Floats = np.where(
        _is_multiple(interval, step), 0.02 + step / interval, 3 * step / interval
    )
    return np.minimum(result + 1e-3, 1.0)


def _is_multiple(interval: Floats, step: float) -> Bools:
    """Whether the interval can be written exactly with that step."""
    if step <= 0:
        return np.zeros(len(interval), bool)
    ratio = interval / step
    result: Bools = (np.abs(ratio - np.rint(ratio)) < 1e-6 * ratio) & (ratio > 1.5)
    return result
