"""Signatures among recorded events: found under sampling, drift and jitter, and never invented."""

from __future__ import annotations

import numpy as np
import pytest
from page_decoder import decode

from tallymark.common.signature import UNITS_US, Signature
from tallymark.common.signature.detector import find
from tallymark.common.signature.pattern import SESSIONS


def some_signature(random: np.random.Generator) -> Signature:
    return Signature(int(random.integers(1, SESSIONS)), int(random.integers(64)))


def recorded(
    signature: Signature,
    random: np.random.Generator,
    unit: int = 8_000,
    rate: float = 1_000.0,
    ppm: float = 0.0,
    jitter_us: float = 0.0,
) -> np.ndarray:
    """Recorded times of its events, in microseconds: first samples at or after each edge."""
    at = random.uniform(1e6, 2e6) + np.array(signature.starts) * unit
    at = at + random.uniform(-jitter_us, jitter_us, len(at))
    sample = np.ceil(at * (1 + ppm * 1e-6) * rate / 1e6)
    return np.asarray(sample * 1e6 / rate)


@pytest.mark.parametrize(
    ("unit", "rate", "jitter_us"),
    [(8_000, 16_384, 2_900), (8_000, 1_000, 2_400), (8_000, 512, 1_900), (16_000, 250, 3_900)],
)
@pytest.mark.parametrize("ppm", [-200, 200])
def test_found_with_the_sampling_drift_and_jitter_of_the_page(
    unit: int, rate: float, jitter_us: float, ppm: float
) -> None:
    random = np.random.default_rng(1)
    unread = 0
    for _ in range(200):
        signature = some_signature(random)
        times = recorded(signature, random, unit, rate, ppm, jitter_us)
        found = find(times, np.full(15, 255))
        unread += not found
        for one in found:
            assert (one.signature, one.unit_us, one.code) == (signature, unit, 255)
            assert one.events.tolist() == list(range(15))
            assert abs(one.start_us - times[0]) < 0.4 * unit
            assert one.off_us <= 0.4 * unit
    assert unread <= 2


@pytest.mark.parametrize(("unit", "rate"), [(8_000, 1_000), (8_000, 500), (16_000, 250)])
def test_with_half_the_jitter_none_is_left_unread(unit: int, rate: float) -> None:
    random = np.random.default_rng(11)
    for _ in range(1_000):
        signature = some_signature(random)
        times = recorded(signature, random, unit, rate, 200, 0.15 * unit)
        (one,) = find(times, np.full(15, 255))
        assert one.signature == signature


def test_every_unit_is_found_and_the_page_reads_the_same() -> None:
    random = np.random.default_rng(2)
    for unit in UNITS_US:
        for _ in range(3):
            signature = some_signature(random)
            times = recorded(signature, random, unit, jitter_us=1_000)
            (found,) = find(times, np.full(15, 9))
            assert (found.signature, found.unit_us) == (signature, unit)
            said = decode(times.tolist(), [9] * 15)
            assert [one[:2] for one in said] == [(signature.session, signature.ordinal)]


def test_among_other_events_and_one_after_the_other() -> None:
    random = np.random.default_rng(3)
    first, second = some_signature(random), some_signature(random)
    one = recorded(first, random)
    two = recorded(second, random) + 3e6
    others = np.sort(random.uniform(0, 8e6, 40))
    times = np.concatenate((one, two, others))
    codes = np.concatenate((np.full(30, 255), random.integers(1, 9, 40)))
    order = np.argsort(times, kind="stable")
    found = find(times[order], codes[order])
    assert [one.signature for one in found] == [first, second]
    assert (times[order][found[1].events] == two).all()
    said = decode(times[order].tolist(), codes[order].tolist())
    assert [one[:2] for one in said] == [(s.session, s.ordinal) for s in (first, second)]


def test_an_event_before_and_after_does_no_harm() -> None:
    random = np.random.default_rng(4)
    signature = some_signature(random)
    times = recorded(signature, random)
    more = np.concatenate(([times[0] - 80_000], times, [times[-1] + 96_000]))
    (found,) = find(more, np.full(17, 255))
    assert found.signature == signature
    assert found.events.tolist() == list(range(1, 16))


def test_with_one_event_missing_nothing_is_read() -> None:
    random = np.random.default_rng(5)
    for _ in range(200):
        signature = some_signature(random)
        times = recorded(signature, random, jitter_us=2_000)
        for gone in range(15):
            left = np.delete(times, gone)
            # Another event in front or behind, so that there are 15 again.
            for other in (times[0] - 96_000, times[-1] + 96_000):
                both = np.sort(np.append(left, other))
                said = [one.signature for one in find(both, np.full(15, 255))]
                if 0 < gone < 14:
                    assert said == []
                else:
                    assert said in ([], [signature])  # the other one took its place


def test_with_one_event_too_many_nothing_else_is_read() -> None:
    random = np.random.default_rng(6)
    for _ in range(2_000):
        signature = some_signature(random)
        times = recorded(signature, random, jitter_us=2_000)
        extra = random.uniform(times[0], times[-1])
        both = np.sort(np.append(times, extra))
        said = [one.signature for one in find(both, np.full(16, 255))]
        near_an_end = min(extra - times[0], times[-1] - extra) < 8_000
        assert said in ([], [signature] if near_an_end else [])


def test_one_event_at_a_wrong_time_is_never_read_as_another_number() -> None:
    random = np.random.default_rng(7)
    for _ in range(3_000):
        signature = some_signature(random)
        times = recorded(signature, random)
        times[int(random.integers(15))] += random.uniform(-150_000, 150_000)
        said = [one.signature for one in find(np.sort(times), np.full(15, 255))]
        assert said in ([], [signature])


def test_two_readings_that_share_events_are_both_left_out() -> None:
    """The second begins with the last seven intervals of the first."""
    first = Signature(0x4F21A, 1)
    word = 0
    for interval in first.intervals[7:]:
        word = word * 8 + interval - 9
    second = Signature(word * 32 >> 6, word * 32 % 64)
    assert second.intervals[:7] == first.intervals[7:]
    starts = np.cumsum((0, *first.intervals, *second.intervals[7:])) * 8_000.0
    codes = np.full(len(starts), 255)
    assert find(starts, codes) == []
    assert decode(starts.tolist(), codes.tolist()) == []
    assert [one.signature for one in find(starts[:15], codes[:15])] == [first]
    assert [one.signature for one in find(starts[7:], codes[7:])] == [second]


def test_random_intervals_of_a_signatures_length_are_rarely_one() -> None:
    """The worst that chance can bring: every interval long enough, every event near the grid. One
    in 65,536 has a checksum that is right; here, of 400,000, it is 6.1 on the average."""
    random = np.random.default_rng(9)
    digits = random.integers(9, 17, (400_000, 14))
    said = sum(Signature.spelled(tuple(row)) is not None for row in digits.tolist())
    assert 0 < said < 20


def test_random_events_are_no_signature() -> None:
    random = np.random.default_rng(10)
    for mean in (50_000, 100_000, 200_000):
        times = np.cumsum(random.exponential(mean, 100_000))
        assert find(times, np.full(100_000, 255)) == []


def test_no_events() -> None:
    assert find(np.zeros(0), np.zeros(0, np.uint8)) == []
    assert find(np.arange(14) * 80_000.0, np.full(14, 3)) == []
