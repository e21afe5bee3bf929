"""The clock estimate, with simulated links: the truth is always within the bound."""

from __future__ import annotations

import math
import random
import sys
import time

import pytest

from tallymark import Box
from tallymark.box.link.clock import (
    CRYSTAL_WANDER,
    KEPT_S,
    NEWEST,
    RESONATOR_WANDER,
    SAMPLES,
    SLEW,
    WANDER,
    ClockEstimate,
    wander_of,
)
from tallymark.box.ports import timebase


class Clocks:
    """A host and a box whose clock runs `ppm` faster, with a link that takes its time."""

    def __init__(self, ppm: float, seed: int = 1) -> None:
        self.rate = 1 + ppm * 1e-6
        self.chance = random.Random(seed)
        self.host = 1000.0
        self.estimate = ClockEstimate(CRYSTAL_WANDER)

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


class WanderingClocks(Clocks):
    """A resonator that wanders with the air conditioning, and a host whose clock is slewed."""

    def __init__(self, wander_ppm: float, period_s: float, slew_ppm: float, seed: int) -> None:
        super().__init__(0, seed)
        self.estimate = ClockEstimate(wander_of("nano", slewed=slew_ppm > 0))
        self.wander, self.period, self.slew = wander_ppm * 1e-6, period_s, slew_ppm * 1e-6

    def box_us(self, host: float) -> float:
        cycle = math.tau / self.period
        since, second = host - 900.0, self.period / 2
        slewed = since // (2 * second) * second + min(since % (2 * second), second)
        wandered = self.wander / cycle * (1 - math.cos(cycle * since))
        return (since + wandered + self.slew * slewed) * 1e6


@pytest.mark.parametrize(("wander", "slew"), [(20, 0), (0, 100), (20, 100), (100, 400)])
@pytest.mark.parametrize("period", [20, 300, 3600])
def test_the_bound_holds_for_a_wandering_resonator_and_a_slewed_host(wander, slew, period):
    for seed in range(3):
        clocks = WanderingClocks(wander, period, slew, seed)
        for _ in range(600):
            there, back = (0.0002 + clocks.chance.expovariate(2000) for _ in "ab")
            clocks.round_trip(there, back)
            assert clocks.check(clocks.host) <= (there + back) * 0.52 + 5e-6
            clocks.host += clocks.chance.uniform(0, 20)
            clocks.check(clocks.host)
            clocks.check(clocks.host - clocks.chance.uniform(0, 60))
            clocks.check(clocks.host + clocks.chance.uniform(0, 60))


@pytest.mark.parametrize("period", [20, 300, 3600])
def test_the_bound_holds_for_a_wandering_resonator_alone(period):
    clocks = WanderingClocks(140, period, 0, 1)
    clocks.estimate = ClockEstimate(RESONATOR_WANDER)
    for _ in range(600):
        clocks.round_trip(0.0002, 0.0002)
        clocks.host += clocks.chance.uniform(0, 20)
        clocks.check(clocks.host)


@pytest.mark.parametrize("period", [20, 300, 3600])
def test_the_bound_holds_for_two_crystals_in_a_room(period):
    for seed in range(5):
        clocks = WanderingClocks(9, period, 0, seed)
        clocks.estimate = ClockEstimate(wander_of("pico", slewed=False))
        for _ in range(400):
            there, back = (0.0002 + clocks.chance.expovariate(2000) for _ in "ab")
            clocks.round_trip(there, back)
            clocks.host += clocks.chance.uniform(0, 20)
            clocks.check(clocks.host)
            clocks.check(clocks.host - clocks.chance.uniform(0, 60))
            clocks.check(clocks.host + clocks.chance.uniform(0, 60))


def test_a_board_that_is_not_known_gets_the_wider_bound():
    for slewed, more in ((False, 0.0), (True, SLEW)):
        assert wander_of("pico", slewed=slewed) == CRYSTAL_WANDER + more
        assert wander_of("virtual", slewed=slewed) == CRYSTAL_WANDER + more
        for board in ("nano", "board 9", ""):
            assert wander_of(board, slewed=slewed) == RESONATOR_WANDER + more
    assert ClockEstimate().wander == WANDER >= RESONATOR_WANDER
    with Box.open("virtual://?time=stepped") as box:
        assert box.link.clock.wander == wander_of("virtual")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the clock of Linux")
def test_host_time_is_that_of_a_clock_that_nothing_slews():
    """A time service slews CLOCK_MONOTONIC, which time.perf_counter reads."""
    assert not timebase.SLEWED
    raw = time.CLOCK_MONOTONIC_RAW
    before = time.clock_gettime_ns(raw)
    times = [timebase.host_time_ns(), round(timebase.RealTime.now() * 1e9)]
    after = time.clock_gettime_ns(raw)
    assert all(before - 1000 <= one <= after + 1000 for one in times)
    with Box.open("virtual") as box:
        before_s = time.clock_gettime(raw)
        sent_s = box.pulse(1).sent_s
        assert before_s <= sent_s <= time.clock_gettime(raw)


def test_the_bound_gets_tight():
    clocks = Clocks(30)
    for _ in range(200):
        clocks.round_trip(0.0002, 0.0003)
        clocks.host += 0.1
    assert clocks.check(clocks.host) < 0.0004
    assert 250 < clocks.estimate.to_box(clocks.host)[1] < 400
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
        # What still fits is kept: the rate is never as unknown as at the begin.
        assert clocks.estimate.drift.bound_ppm < 2_000
    assert abs(clocks.estimate.drift.ppm - 500) <= clocks.estimate.drift.bound_ppm
    clocks.check(clocks.host)


def test_a_long_session_keeps_few_samples():
    clocks = Clocks(10)
    for _ in range(20_000):
        clocks.round_trip(0.0002, 0.0002)
        clocks.host += 0.5
    assert len(clocks.estimate) <= 32
    assert clocks.estimate.drift.bound_ppm < 25
    clocks.check(clocks.host)


def test_the_first_and_the_newest_sample_outlast_the_thinning():
    clocks = Clocks(10)
    first = clocks.host
    clocks.round_trip(0.00002, 0.00002)
    for number in range(SAMPLES):
        clocks.host += 2
        quick = number == SAMPLES - 1
        clocks.round_trip(*(2 * [0.00002 if quick else 0.005]))
    assert clocks.check(first) < 0.0001
    assert len(clocks.estimate) < SAMPLES


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


def test_whole_microseconds_are_within_the_bound():
    """Box time is cut to whole microseconds; in the worst case all of the way there took no time,
    or all of the way back."""
    for there, back in ((0.0, 0.0001), (0.0001, 0.0)):
        for fraction in range(1, 10):
            clocks = Clocks(0)
            clocks.host += fraction * 1e-7
            begin = clocks.host
            clocks.round_trip(there, back)
            clocks.check(begin)
            clocks.check(begin + 50)


@pytest.mark.parametrize("host_s_per_box_s", [0.99, 1.01])
@pytest.mark.parametrize("there", [0.0, 2.0])
def test_one_slow_round_trip_with_the_worst_resonator(host_s_per_box_s, there):
    clocks = Clocks(0)
    clocks.rate = 1 / host_s_per_box_s
    clocks.round_trip(there, 2.0 - there)
    for away in (-100, -10, -3, 0, 3, 10, 100):
        clocks.check(clocks.host + away)


def test_a_rate_that_wanders_stays_within_the_bound():
    """A crystal that gets warm and cold again: 1.5 ppm within half an hour."""
    clocks = Clocks(0)
    begin = clocks.host
    swing, period = 1.5e-6, 3600.0

    def box_us(host: float) -> float:
        phase = 2 * math.pi * (host - begin) / period
        return (host - 900 + swing * period / (2 * math.pi) * (1 - math.cos(phase))) * 1e6

    clocks.box_us = box_us  # type: ignore[method-assign]
    for _ in range(1000):
        clocks.round_trip(5e-6, 5e-6)
        clocks.host += 10
        for away in (-1000, -100, -5, 0, 5, 100, 300):
            if clocks.host + away > begin:
                clocks.check(clocks.host + away)


def test_what_forgotten_round_trips_said_of_the_rate_is_forgotten():
    """A crystal that gets warm by twice of what the wander allows in the time of the samples: what
    was so before says nothing of what comes, which may be farther still."""
    clocks = Clocks(0)
    begin = clocks.host
    warm, warmer = begin + 2 * KEPT_S, begin + 4 * KEPT_S

    def box_us(host: float) -> float:
        faster = 19e-6 * max(host - warm, 0.0) + 9e-6 * max(host - warmer, 0.0)
        return (host - 900 + faster) * 1e6

    clocks.box_us = box_us  # type: ignore[method-assign]
    while clocks.host < warmer:
        clocks.round_trip(5e-6, 5e-6)
        clocks.host += 2
        clocks.check(clocks.host + 100)


def test_the_narrower_of_two_round_trips_counts():
    for spans in ((0.002, 0.002, 0.0001, 0.002), (0.002, 0.002, 0.002, 0.0001)):
        clocks = Clocks(0)
        for span in spans:
            clocks.round_trip(span / 2, span / 2)
        assert clocks.check(clocks.host) < 0.0002
        assert len(clocks.estimate) == 2  # those that come close together tell no more of the rate


def test_whole_microseconds_for_the_log():
    clocks = Clocks(0)
    begin = clocks.host
    clocks.round_trip(0.001, 0.001)
    host_us, bound_us = clocks.estimate.to_host_us(round(clocks.box_us(begin)))
    assert abs(host_us - begin * 1e6) <= bound_us
    assert 1000 <= bound_us < 1100


def test_what_shows_that_box_time_has_begun_again():
    estimate = ClockEstimate()
    assert not estimate.has_begun_anew(0.0, 0)
    estimate.add(1.0, 5_000_000, 1.1)
    assert estimate.has_begun_anew(1.1, 0)
    assert not estimate.has_begun_anew(1.05, 0)  # on its way before: overtaken, perhaps
    assert not estimate.has_begun_anew(1.1, 4_000_000)  # the answer told of an edge to come
    assert estimate.has_begun_anew(1.1, 3_999_999)
    estimate.add(2.0, 6_000_000, 2.1)
    assert estimate.has_begun_anew(1.5, 0)
    assert not estimate.has_begun_anew(1.5, 4_500_000)


def test_a_quick_round_trip_outlasts_slow_ones():
    """Late in a session, when those that tell of the rate are far apart."""
    clocks = Clocks(20)
    for _ in range(400):
        clocks.round_trip(0.0004, 0.0004)
        clocks.host += 2
    clocks.round_trip(0.00003, 0.00003)
    for _ in range(10):
        clocks.host += 0.05
        clocks.round_trip(0.0004, 0.0004)
    assert clocks.check(clocks.host) < 0.00006 / 2 + 20e-6
    assert clocks.estimate.round_trip_s == pytest.approx(0.00006)


def test_of_the_last_round_trips_few_are_kept():
    estimate = ClockEstimate(CRYSTAL_WANDER)
    for number in range(50):  # each slower than the one before it
        estimate.add(number, number * 1_000_000, number + 0.001 * (number + 1))
    assert len(estimate._newest) == NEWEST
    estimate.add(60, 60_000_000, 60.0001)
    assert len(estimate._newest) == 1


@pytest.mark.parametrize(("wander", "slew"), [(9, 0), (9, 400)])
@pytest.mark.parametrize("period", [20, 300, 3600])
def test_the_bound_is_near_half_the_best_round_trip_and_true(wander, slew, period):
    """A machine on which some round trips are delayed, with a marker every 0.2 s. Where a clock may
    be slewed, the bound is wider, and as true."""
    for seed in range(2):
        clocks = WanderingClocks(wander, period, slew, seed)
        clocks.estimate = ClockEstimate(wander_of("pico", slewed=slew > 0))
        for number in range(500):
            least = 0.002 if clocks.chance.random() < 0.3 else 0.00003
            there, back = (least * clocks.chance.uniform(1, 2) for _ in "ab")
            clocks.round_trip(there, back)
            clocks.host += 0.2
            bound = clocks.check(clocks.host)
            if number > 100 and not slew:
                assert bound <= 0.00012 / 2 + 20e-6
            clocks.check(clocks.host + clocks.chance.uniform(0, 1))


def test_round_trips_over_a_second_tell_the_rate(box):
    box.sync_clock()
    at_once = box.clock.to_box(box.pacing.now() + 1)[1]
    before = box.pacing.now()
    box.sync_clock(5, over_s=1.0)
    assert 1.0 <= box.pacing.now() - before < 1.1
    assert box.clock.to_box(box.pacing.now() + 1)[1] < at_once / 5


def test_no_round_trip_is_known_before_the_first():
    with pytest.raises(ValueError, match="sync_clock"):
        _ = ClockEstimate().round_trip_s
