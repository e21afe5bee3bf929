"""A clock that wanders, and samples that are missing: told apart, or not told at all."""

from __future__ import annotations

import numpy as np
import pytest
from generator.cases import make
from generator.judge import judge

from tallymark.recording import Comparison
from tallymark.recording.alignment_segments import find_doubtful_steps, find_pieces

GRAIN = 100.0  # a sample at 10 kHz, in microseconds


def result_of(design: str, damage: str, seed: int) -> Comparison:
    result = judge(make(seed, design, damage)).result
    assert result is not None
    return result


@pytest.mark.parametrize("seed", [20260060941, *range(5501, 5505)])
def test_a_clock_that_wanders_lacks_no_samples(seed: int) -> None:
    result = result_of("answers", "wandering_clock", seed)
    assert not result.jumps


def shifts(wander_us: float, lost: dict[int, int], apart_us: float = 4e6) -> list[tuple[int, int]]:
    """Event and samples of each jump that is told of 240 events; lost: samples by event. The path
    has changed its line at lost ones."""
    sent = np.arange(240) * apart_us + np.random.default_rng(1).uniform(0, 0.02 * apart_us, 240)
    clock = sent + wander_us * np.sin(np.linspace(0, 2 * np.pi, 240))
    seen = np.ceil(clock / GRAIN) * GRAIN
    for first, samples in lost.items():
        seen[first:] -= samples * GRAIN
    runs = np.split(np.arange(240), sorted(lost))
    pieces = find_pieces(runs, seen, seen - sent, seen - sent, GRAIN)
    return [(piece.first, round(piece.shift_us / GRAIN)) for piece in pieces[1:] if piece.shift_us]


def test_steps_of_a_wandering_clock_are_no_jumps() -> None:
    assert shifts(4000.0, {}) == []


def test_few_lost_samples_are_a_jump() -> None:
    assert shifts(0.0, {100: 2}) == [(100, -2)]
    assert shifts(0.0, {50: 3, 180: 3}) == [(50, -3), (180, -3)]


def test_samples_lost_more_often_than_a_clock_wanders_are_jumps() -> None:
    assert len(shifts(0.0, dict.fromkeys(range(5, 240, 5), 3), apart_us=1e5)) == 47


def test_lost_samples_are_told_though_the_clock_wanders() -> None:
    ((first, samples),) = shifts(4000.0, {120: 40})  # at 26 ppm, 1 sample more with each event
    assert first == 120
    assert samples in range(-46, -34)


def test_edges_that_take_two_samples_to_settle_are_no_jump() -> None:
    # In trains of ten at 50 ms, so that sampling errors are alike within a train.
    sent = (np.arange(150) // 10 * 3.137e6) + np.arange(150) % 10 * 5e4
    late = np.random.default_rng(3).integers(0, 2, 150) * GRAIN
    late[:20], late[60:75], late[75:95] = 0.0, 0.0, GRAIN
    seen = np.ceil(sent * (1 + 5e-6) / GRAIN) * GRAIN + late
    pieces = find_pieces([np.arange(150)], seen, seen - sent, seen - sent, GRAIN)
    assert [piece.shift_us for piece in pieces if piece.shift_us] == []


def slow_edges(events: int, lost: int, gap_us: float = 1e6) -> tuple[list[np.ndarray], ...]:
    """Events of lines that take up to three samples to settle; of the last ones, `lost` samples
    are missing before them. What `find_pieces` takes."""
    chance = np.random.default_rng(8)
    sent = np.cumsum(chance.uniform(0.7, 1.3, events)) * gap_us
    seen = np.ceil((sent + chance.uniform(0, 2, events) * GRAIN) / GRAIN) * GRAIN
    seen[events - 4 :] -= lost * GRAIN
    return [np.arange(events)], seen, seen - sent, seen - sent


@pytest.mark.parametrize("lost", [3, 4])
def test_a_loss_that_scatter_may_hide_is_not_denied(lost: int) -> None:
    told = slow_edges(20, lost)
    assert any(13 <= step.first <= 17 for step in find_doubtful_steps(*told, GRAIN))


def test_events_that_scatter_by_sampling_alone_leave_no_doubt() -> None:
    runs, at = [np.arange(300)], np.arange(300) * 1.0137e6
    seen = np.ceil(at / GRAIN) * GRAIN
    assert find_doubtful_steps(runs, seen, seen - at, seen - at, GRAIN) == []


def test_of_very_many_events_that_scatter_the_doubt_is_told_without_a_place() -> None:
    told = slow_edges(50_001, 0, 1e5)
    (doubtful,) = find_doubtful_steps(*told, GRAIN)
    assert doubtful.first == 0
