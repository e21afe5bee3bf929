"""What changes in a row of delays: single ones that are off, lasting steps, a drift.

A dropped frame of a display makes one delay longer by a frame; a computer that falls a frame behind
makes all that follow longer. Both are told with their size, where the scatter of the others leaves
no doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tallymark.markerlog.delay.pairing import spread

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_WINDOW = 21  # delays of the running median: one that is shared by fewer than half counts as single
_SINGLE_SD = 6.0
_SINGLE_LEAST_US = 1_000.0  # what no reader of results would ask about is not told
_STEP_T = 6.5
_STEP_LEAST_US = 500.0
_STEPS_MOST = 6
_STRETCH = 8  # delays from one step to the next, at least
_LOCAL = 12  # delays on each side that have to show a step, or it may be a bend
_DRIFT_T = 5.0
_DRIFT_LEAST_US = 200.0  # over the session
_CANDIDATES = 240
_ROUNDS = 4
_LEAST_SD_US = 20.0  # the resolution of a probe


@dataclass(frozen=True)
class Step:
    """From this delay on, counted from 0, all are longer by so much. box_us: its marker's time."""

    at: int
    box_us: int
    size_us: float


@dataclass(frozen=True)
class Steadiness:
    """off: the single ones that are off, and shift_us by how much (0 elsewhere). steps: lasting
    changes. drift_us_per_hour: None if none is certain. jitter_us: standard deviation without the
    single ones, steps and drift; NaN for fewer than two. unsteady: it changes too often for a list
    of steps."""

    off: Bools
    shift_us: Floats
    steps: tuple[Step, ...]
    drift_us_per_hour: float | None
    jitter_us: float
    unsteady: bool = False


def steadiness(times_us: Floats, delays_us: Floats, groups: npt.NDArray[np.int64]) -> Steadiness:
    """times_us: of the markers, in order. groups: 0 and up, the event of each: events may differ in
    their delay, as where they are drawn at different heights of a screen."""
    centred = delays_us.astype(np.float64)
    for group in np.unique(groups):
        centred[groups == group] -= np.median(centred[groups == group])
    apart = centred - _running_median(centred)
    off = _stands_out(apart)
    for _ in range(_ROUNDS):
        keep = np.flatnonzero(~off)
        if len(keep) < 2 * _STRETCH:
            kept = centred[keep]
            jitter = float(np.std(kept, ddof=1)) if len(kept) > 1 else float("nan")
            return Steadiness(off, np.where(off, apart, 0.0), (), None, jitter)
        fit = _Fit(times_us[keep], centred[keep], groups[keep])
        at, unsteady = _find_steps(fit)
        if unsteady:
            jitter = float(np.std(centred[keep], ddof=1))
            return Steadiness(off, np.where(off, apart, 0.0), (), None, jitter, True)
        # close to a step the running median is of either side: the fit knows better
        apart = centred - fit.told(times_us, groups, [int(keep[place]) for place in at], at)
        before, off = off, _stands_out(apart)
        if (before == off).all():
            break
    sizes, slope, certain, jitter = fit.solved(at)
    if _jumps(apart[keep]) > _STEPS_MOST:
        return Steadiness(off, np.where(off, apart, 0.0), (), None, jitter, True)
    steps = tuple(
        Step(int(keep[place]), int(times_us[keep[place]]), size)
        for place, size in zip(at, sizes, strict=True)
    )
    lasted = float(times_us[keep[-1]] - times_us[keep[0]])
    drifts = certain and abs(slope) * lasted >= _DRIFT_LEAST_US
    return Steadiness(off, np.where(off, apart, 0.0), steps, slope * 3.6e9 if drifts else None,
                      jitter)


def _jumps(apart: Floats) -> int:
    """How often one delay differs from the one before as a single one would."""
    changes = np.abs(np.diff(apart))
    usual = max(1.4826 * float(np.median(changes)), _LEAST_SD_US)
    return int((changes > max(_SINGLE_SD * usual, _SINGLE_LEAST_US)).sum())


def _stands_out(apart: Floats) -> Bools:
    found: Bools = np.abs(apart) > max(_SINGLE_SD * spread(apart), _SINGLE_LEAST_US)
    return found


def _running_median(values: Floats) -> Floats:
    """Of the values around each, as many on each side as there are, up to ten."""
    half = _WINDOW // 2
    padded = np.concatenate([np.full(half, np.nan), values, np.full(half, np.nan)])
    view = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)
    median: Floats = np.nanmedian(view, axis=1)
    return median


class _Fit:
    """Delays as a level for each event, a slope, and steps, by least squares."""

    def __init__(self, times: Floats, delays: Floats, groups: npt.NDArray[np.int64]) -> None:
        self.delays = delays
        self.count = len(delays)
        self.middle = float(times.mean())
        self.scale = max(float(np.ptp(times)), 1.0)
        self.groups = np.unique(groups)
        levels = (groups[:, None] == self.groups[None, :]).astype(np.float64)
        self.base = np.column_stack([levels, (times - self.middle) / self.scale])

    def design(self, at: list[int]) -> Floats:
        """The columns with steps at these places."""
        steps = [(np.arange(self.count) >= place).astype(np.float64) for place in at]
        return np.column_stack([self.base, *steps]) if steps else self.base

    def told(
        self, times: Floats, groups: npt.NDArray[np.int64], places: list[int], at: list[int]
    ) -> Floats:
        """What the fit says of all delays, also of those that it leaves out. places: of the steps
        among all of them; at: among its own."""
        found, *_ = np.linalg.lstsq(self.design(at), self.delays, rcond=None)
        known = groups[:, None] == self.groups[None, :]
        columns = [known.astype(np.float64), (times - self.middle) / self.scale]
        columns += [(np.arange(len(times)) >= place).astype(np.float64) for place in places]
        whole: Floats = np.column_stack(columns) @ found
        whole[~known.any(axis=1)] = 0.0
        return whole

    def solved(self, at: list[int]) -> tuple[list[float], float, bool, float]:
        """Sizes of the steps, the slope (in µs a µs), whether that is certain, and the scatter."""
        design = self.design(at)
        found, *_ = np.linalg.lstsq(design, self.delays, rcond=None)
        rest = self.delays - design @ found
        free = max(self.count - design.shape[1], 1)
        scatter = float(np.sqrt(rest @ rest / free))
        slope_at = self.base.shape[1] - 1
        cover = np.linalg.pinv(design.T @ design)
        error = max(scatter, _LEAST_SD_US) * float(np.sqrt(max(cover[slope_at, slope_at], 0.0)))
        slope = float(found[slope_at])
        return list(map(float, found[slope_at + 1 :])), slope / self.scale, (
            abs(slope) > _DRIFT_T * error
        ), scatter

    def next_step(self, at: list[int]) -> int | None:
        """Where one more step explains most, if there is no doubt about it."""
        design = self.design(at)
        basis, _ = np.linalg.qr(design)
        rest = self.delays - basis @ (basis.T @ self.delays)
        places = self._places(at)
        if not len(places):
            return None
        thin = max(1, len(places) // _CANDIDATES)
        best = self._best(places[::thin], basis, rest)
        if thin > 1:
            best = self._best(places[np.abs(places - best) <= thin], basis, rest)
        return best if self._is_certain([*at, best]) else None

    def _places(self, at: list[int]) -> npt.NDArray[np.int64]:
        places = np.arange(_STRETCH, self.count - _STRETCH + 1)
        for other in at:
            places = places[np.abs(places - other) >= _STRETCH]
        return places

    def _best(self, places: npt.NDArray[np.int64], basis: Floats, rest: Floats) -> int:
        columns = (np.arange(self.count)[:, None] >= places[None, :]).astype(np.float64)
        columns -= basis @ (basis.T @ columns)
        norms = (columns**2).sum(axis=0)
        gains = np.where(norms > 1e-9, (rest @ columns) ** 2 / np.maximum(norms, 1e-9), 0.0)
        return int(places[int(np.argmax(gains))])

    def _is_certain(self, at: list[int]) -> bool:
        """Whether the last of these steps stands out from the scatter, and is no bend."""
        design = self.design(at)
        found, *_ = np.linalg.lstsq(design, self.delays, rcond=None)
        size = float(found[-1])
        rest = self.delays - design @ found
        scatter = max(spread(rest), _LEAST_SD_US)
        cover = np.linalg.pinv(design.T @ design)
        error = scatter * float(np.sqrt(max(cover[-1, -1], 0.0)))
        alone = rest + size * (np.arange(self.count) >= at[-1])
        others = [place for place in at[:-1] if place < at[-1]]
        since = max([at[-1] - _LOCAL, *others, 0])
        until = min([at[-1] + _LOCAL, *[place for place in at[:-1] if place > at[-1]], self.count])
        local = float(np.median(alone[at[-1] : until]) - np.median(alone[since : at[-1]]))
        return (
            abs(size) >= _STEP_LEAST_US
            and abs(size) > _STEP_T * error
            and abs(size) > scatter
            and local / size > 0.6
        )


def _find_steps(fit: _Fit) -> tuple[list[int], bool]:
    """Places of the steps in order, and whether there are more than can be listed."""
    at: list[int] = []
    while len(at) <= _STEPS_MOST:
        place = fit.next_step(at)
        if place is None:
            return sorted(at), False
        at.append(place)
    return [], True
