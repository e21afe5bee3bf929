"""Delays against what was planted, over sessions of all kinds. `TALLYMARK_DELAY_SESSIONS` sets how
many (default 36)."""

from __future__ import annotations

import os

import numpy as np
import pytest
from planted_sessions import KINDS, NOTHING_TO_CLAIM, plan, session

from tallymark import markerlog
from tallymark.markerlog.delay import AMBIGUOUS, FOUND, measure

SESSIONS = int(os.environ.get("TALLYMARK_DELAY_SESSIONS", "36"))
EVERY = (*KINDS, *NOTHING_TO_CLAIM)


@pytest.mark.parametrize("seed", range(SESSIONS))
def test_the_planted_truth_is_found(tmp_path, seed):
    kind = EVERY[seed % len(EVERY)]
    truth = session(kind, seed, tmp_path / "s.jsonl")
    found = measure(markerlog.read(tmp_path / "s.jsonl"), plan())
    (probe,) = found.probes
    if kind in NOTHING_TO_CLAIM:
        assert (probe.fates == AMBIGUOUS).all()
        assert probe.why == kind
        assert probe.all_events.mean_us is None
        return
    planted = np.array(truth.delay_us)
    assert ((probe.fates == FOUND) == ~np.isnan(planted)).all()
    there = ~np.isnan(planted)
    assert np.abs(probe.delays_us - planted)[there].max() <= 3
    assert list(probe.double) == truth.double
    off = np.array(truth.off_us)
    if kind not in ("out of step", "sound"):  # there the scatter hides a frame
        assert ((probe.off != 0) == (off != 0)).all()
        assert np.abs(probe.off - off).max() < 500
    else:
        assert not probe.off.any()
    steady = probe.steady
    steps = [] if truth.step is None else [truth.step]
    assert len(steady.steps) == len(steps)
    for told, (at, size) in zip(steady.steps, steps, strict=True):
        place = np.flatnonzero(there)[told.at]
        assert at <= place <= at + 2
        assert abs(told.size_us - size) < 300
    hours = np.ptp(probe.times_us) / 3.6e9
    if truth.drift_us:
        assert abs(steady.drift_us_per_hour * hours - truth.drift_us) < 0.15 * abs(truth.drift_us)
    else:
        assert steady.drift_us_per_hour is None
    assert not steady.unsteady
    assert found.good == (kind in ("steady", "sound", "two heights", "out of step"))
