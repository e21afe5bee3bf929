"""What is told of a row of delays: bends are no steps, scatter is no step, bursts are counted."""

from __future__ import annotations

import numpy as np

from tallymark.markerlog.delay.steadiness import steadiness

TIMES = np.arange(300) * 1e6
ONE = np.zeros(300, np.int64)


def noise(us: float, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, us, 300)


def test_a_bend_is_no_step() -> None:
    warming = 6_000 * (1 - np.exp(-TIMES / 4e7))
    found = steadiness(TIMES, 40_000 + warming + noise(50), ONE)
    assert found.steps == ()
    assert not found.off.any()
    assert found.drift_us_per_hour is not None


def test_scatter_alone_tells_nothing() -> None:
    for seed in range(40):
        frame = np.random.default_rng(seed).uniform(0, 16_667, 300)
        for delays in (noise(300, seed), frame):
            found = steadiness(TIMES, 40_000 + delays, ONE)
            assert found.steps == ()
            assert found.drift_us_per_hour is None
            assert not found.unsteady
            assert found.off.sum() <= 1


def test_two_steps_and_back() -> None:
    delays = 40_000 + noise(200)
    delays[100:180] += 8_333
    found = steadiness(TIMES, delays, ONE)
    assert [step.at for step in found.steps] == [100, 180]
    assert [round(step.size_us / 8_333) for step in found.steps] == [1, -1]
    assert found.jitter_us < 250


def test_steps_all_the_time_are_not_listed() -> None:
    delays = 40_000 + noise(200) + 16_667 * (np.arange(300) // 15 % 2)
    found = steadiness(TIMES, delays, ONE)
    assert found.unsteady
    assert found.steps == ()


def test_a_few_in_a_row_are_single_ones() -> None:
    delays = 40_000 + noise(200)
    delays[[50, 51, 52, 200]] += 16_667
    found = steadiness(TIMES, delays, ONE)
    assert list(np.flatnonzero(found.off)) == [50, 51, 52, 200]
    assert found.steps == ()


def test_events_with_delays_of_their_own() -> None:
    groups = np.random.default_rng(5).integers(0, 3, 300)
    delays = 40_000 + noise(100) + groups * 7_000
    delays[77] += 8_333
    found = steadiness(TIMES, delays, groups)
    assert list(np.flatnonzero(found.off)) == [77]
    assert found.steps == ()
    assert found.jitter_us < 150
