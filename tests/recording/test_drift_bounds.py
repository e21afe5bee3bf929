"""How far the drift that is told may be off: what the pairs allow, lost samples that look like
drift among it."""

from __future__ import annotations

import numpy as np
import pytest
from generator.cases import make
from generator.judge import judge

from tallymark.recording.offset_drift_and_jitter import timing

SAMPLE_US = 2000.0
RATE_PPM = 30.0


def told(lost: dict[int, int], noise_us: float = 0.0) -> tuple[float, float]:
    """Drift and its bound of 60 markers at 2 a second; lost: samples that are missing from a marker
    on, of which no stretch is told."""
    sent = np.arange(60) * 500_000.0 + np.random.default_rng(1).uniform(-15, 15, 60)
    clock = sent * (1 + RATE_PPM * 1e-6) + np.random.default_rng(2).normal(0, noise_us, 60)
    seen = np.ceil(clock / SAMPLE_US) * SAMPLE_US
    for first, samples in lost.items():
        seen[first:] -= samples * SAMPLE_US
    slope, offset = np.polyfit(sent, seen, 1)
    found = timing(sent, seen, np.zeros(60, np.int64), seen - slope * sent - offset, SAMPLE_US)
    assert found.drift_ppm is not None
    assert found.drift_error_ppm is not None
    return found.drift_ppm, found.drift_error_ppm


@pytest.mark.parametrize("lost", [{}, {20: 3, 40: 3}, {10: 4, 25: 3, 41: 4, 50: 3}, {30: -4}])
def test_lost_samples_that_look_like_drift_are_in_its_bound(lost: dict[int, int]) -> None:
    drift, error = told(lost)
    assert abs(drift - RATE_PPM) <= error


def test_without_them_and_with_jitter_the_bound_is_no_wider() -> None:
    assert told({})[1] < 150
    assert told({}, noise_us=2 * SAMPLE_US)[1] < 1000


def test_a_recording_whose_losses_came_regularly_states_no_false_drift() -> None:
    assert judge(make(20260060939, "oddball", "drop_few")).drift_ok
