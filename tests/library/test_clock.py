"""The clock estimate, with simulated links: the truth is always within the bound."""

from __future__ import annotations

import random

import pytest

from tallymark.box.link.clock import ClockEstimate


class Clocks:
    """A host and a box whose clock runs `ppm` faster, with a link that takes its time."""

    def __init__(self, ppm: float, seed: int = 1) -> None:
        self.rate = 1 + ppm * 1e-6
        self.chance = random.Random(seed)
        self.host = 1000.0
        self.estimate = ClockEstimate()

    def box_us(self, host: float) -> float:
        return (host - 900.0) * self.rate * 1e6

    def round_trip(self, there: float, back: float) -> None:
        sent = self.host
        self.estimate.add(sent, int(self.box_us(sent + there)), sent + there + back)
        self.host = sent + there + back

    def check(self, host: float) -> float:
        time = self.estimate.to_host(self.box_us(host))
        assert abs(time.seconds - host) <= time.bound_s
        box_us, bound_us = self.estimate.to_box(host)
        assert abs(box_us - self.box_us(host)) <= bound_us
        return time.bound_s


@pytest.mark.parametrize("ppm", [0, 50, -50, 3000, -5000])
def test_the_truth_is_within_the_bound_whatever_the_jitter(ppm):
    for seed in range(10):
        clocks = Clocks(ppm, seed)
        for _ in range(300):
            there = 0.0002 + clocks.chance.expovariate(1 / 0.001)
            clocks.round_trip(there, 0.0002 + clocks.chance.expovariate(1 / 0.001))
            clocks.host += clocks.chance.uniform(0, 0.5)
            clocks.check(clocks.host)
            clocks.check(clocks.host - clocks.chance.uniform(0, 60))
            clocks.check(clocks.host + clocks.chance.uniform(0, 60))
        drift = clocks.estimate.drift
        assert abs(drift.ppm - ppm) <= drift.bound_ppm


def test_the_bound_gets_tight():
    clocks = Clocks(30)
    for _ in range(200):
        clocks.round_trip(0.0002, 0.0003)
        clocks.host += 0.1
    assert clocks.check(clocks.host) < 0.0004
    assert clocks.estimate.drift.bound_ppm < 50


def test_one_round_trip_is_enough_for_a_bound():
    clocks = Clocks(100)
    clocks.round_trip(0.001, 0.001)
    assert 0.001 <= clocks.check(clocks.host) < 0.0011
    assert clocks.check(clocks.host + 100) < 1.1


def test_a_delayed_round_trip_does_no_harm():
    clocks = Clocks(20)
    for _ in range(20):
        clocks.round_trip(0.0002, 0.0002)
        clocks.host += 0.1
    before = clocks.check(clocks.host)
    clocks.round_trip(0.0002, 2.0)
    assert clocks.check(clocks.host - 2) <= before * 1.5


def test_a_rate_that_changes_is_noticed():
    clocks = Clocks(0)
    for _ in range(50):
        clocks.round_trip(0.0001, 0.0001)
        clocks.host += 1
    change, at = 1 + 500e-6, clocks.box_us(clocks.host)
    begin = clocks.host
    clocks.box_us = lambda host: at + (host - begin) * change * 1e6  # type: ignore[method-assign]
    for _ in range(100):
        clocks.round_trip(0.0001, 0.0001)
        clocks.host += 1
    assert abs(clocks.estimate.drift.ppm - 500) <= clocks.estimate.drift.bound_ppm
    clocks.check(clocks.host)


def test_a_long_session_keeps_few_samples():
    clocks = Clocks(10)
    for _ in range(20_000):
        clocks.round_trip(0.0002, 0.0002)
        clocks.host += 0.5
    assert len(clocks.estimate) <= 32
    assert clocks.estimate.drift.bound_ppm < 5
    clocks.check(clocks.host)


def test_nothing_is_known_before_the_first_round_trip_and_after_a_reset():
    clocks = Clocks(0)
    with pytest.raises(ValueError, match="sync_clock"):
        clocks.estimate.to_host(0)
    clocks.round_trip(0.001, 0.001)
    clocks.estimate.reset()
    with pytest.raises(ValueError, match="sync_clock"):
        _ = clocks.estimate.drift


def test_a_time_on_the_box_is_converted(box):
    marker = box.pulse(1).wait()
    box.pacing.sleep(1)
    time = box.to_host_time(marker.box_time_us)
    assert abs(time.seconds - marker.sent_s) <= time.bound_s < 0.001
