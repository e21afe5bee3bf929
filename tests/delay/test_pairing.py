"""Which onset is whose: ranges that overlap, edges that are lost, onsets that fit a neighbour."""

from __future__ import annotations

import numpy as np
import pytest

from tallymark.markerlog.delay import AMBIGUOUS, FOUND, MISSING, STILL_ON, UNKNOWN
from tallymark.markerlog.delay.onsets import Sight
from tallymark.markerlog.delay.pairing import pair

LOW, HIGH = -100_000, 400_000


def times(*seconds: float) -> np.ndarray:
    return np.round(np.array(seconds) * 1e6).astype(np.int64)


def seen(onsets: np.ndarray, lit_s: float = 0.05, blind: tuple = ()) -> Sight:
    return Sight(onsets, onsets + round(lit_s * 1e6), blind)


def test_each_marker_has_its_onset() -> None:
    markers = times(*range(1, 11))
    found = pair(markers, seen(markers + 41_700), LOW, HIGH)
    assert (found.fates == FOUND).all()
    assert set(found.delays) == {41_700}
    assert found.used.all()
    assert not found.double.any()


def test_missing_double_stray() -> None:
    markers = times(*range(1, 11))
    onsets = np.delete(markers + 41_700, 3)
    onsets = np.sort(np.append(onsets, [7_300_000, 9_700_000]))
    found = pair(markers, seen(onsets), LOW, HIGH)
    assert list(np.flatnonzero(found.fates == MISSING)) == [3]
    assert list(np.flatnonzero(found.double)) == [6]
    assert found.delays[6] == 41_700
    assert list(onsets[~found.used]) == [9_700_000]


def test_where_edges_may_be_missing_nothing_is_missing() -> None:
    markers = times(*range(1, 11))
    onsets = np.delete(markers + 41_700, 3)
    found = pair(markers, seen(onsets, blind=((3_500_000, 4_100_000),)), LOW, HIGH)
    assert found.fates[3] == UNKNOWN


def test_a_probe_that_was_on_already() -> None:
    markers = times(*range(1, 11))
    onsets = np.delete(markers + 41_700, 3)
    ends = np.delete(markers + 91_700, [2, 3])
    found = pair(markers, Sight(onsets, np.append(ends, 4_900_000), ()), LOW, HIGH)
    assert found.fates[3] == STILL_ON


def test_close_markers_are_told_apart_by_the_others() -> None:
    markers = np.sort(np.append(times(*range(1, 21)), times(5.2, 9.2)))
    found = pair(markers, seen(markers + 30_000), LOW, HIGH)
    assert (found.fates == FOUND).all()
    assert set(found.delays) == {30_000}


def test_close_markers_with_one_onset_for_two() -> None:
    markers = np.sort(np.append(times(*range(1, 21)), times(5.02)))
    onsets = np.delete(markers + 30_000, 4)
    found = pair(markers, seen(onsets), LOW, HIGH)
    assert list(found.fates[4:6]) == [AMBIGUOUS, AMBIGUOUS]


def test_a_late_onset_of_a_close_marker_is_not_missing() -> None:
    markers = np.sort(np.append(times(*range(1, 21)), times(5.2)))
    onsets = markers + 30_000
    onsets[5] += 33_000  # two frames
    found = pair(markers, seen(onsets), LOW, HIGH)
    assert list(found.fates[4:6]) == [FOUND, AMBIGUOUS]


def test_of_two_onsets_the_usual_one_counts() -> None:
    markers = times(*range(1, 11))
    onsets = np.sort(np.append(markers + 41_700, 4_960_000))
    found = pair(markers, seen(onsets), LOW, HIGH)
    assert set(found.delays) == {41_700}
    assert list(np.flatnonzero(found.double)) == [4]


def test_varied_intervals_tell_what_a_rhythm_does_not() -> None:
    random = np.random.default_rng(1)
    varied = np.cumsum(random.integers(150_000, 260_000, 200))
    found = pair(varied, seen(varied + 60_000), LOW, HIGH)
    assert (found.fates == FOUND).all()
    assert set(found.delays) == {60_000}
    constant = np.arange(1, 201) * 200_000
    found = pair(constant, seen(constant + 60_000), LOW, HIGH)
    assert (found.fates == AMBIGUOUS).all()
    assert found.why == "rhythm"


@pytest.mark.parametrize("varied", [True, False])
def test_an_onset_of_the_marker_before_is_not_taken_for_an_early_one(varied) -> None:
    random = np.random.default_rng(2)
    steps = random.integers(600_000, 660_000, 60) if varied else np.full(60, 600_000)
    markers = np.cumsum(steps)
    found = pair(markers, seen(markers + 550_000), LOW, HIGH)
    assert not (found.fates == FOUND).any()


def test_onsets_before_their_markers_are_claimed_where_intervals_tell() -> None:
    markers = np.cumsum(np.random.default_rng(3).integers(600_000, 900_000, 60))
    found = pair(markers, seen(markers - 12_000), LOW, HIGH)
    assert set(found.delays) == {-12_000}


def test_a_flicker_has_no_onset() -> None:
    markers = times(*range(1, 11))
    onsets = np.concatenate([at + 40_000 + np.arange(20) * 4_000 for at in markers])
    found = pair(markers, seen(onsets, 0.002), LOW, HIGH)
    assert found.why == "flicker"
    assert (found.fates == AMBIGUOUS).all()
    assert not found.used.any()
