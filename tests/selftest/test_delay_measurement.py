"""Delays and widths from driven and captured times, without a box."""

from __future__ import annotations

import pytest

from tallymark.box.wire.answer_values import Edge
from tallymark.verification.selftest.timing import (
    Delays,
    Driven,
    PulseWidth,
    changes_of,
    delays,
    pulse_width,
    slowest_us,
    width_error_us,
)

STRAIGHT = {levels: levels for levels in range(256)}
DRIVEN = [Driven(0, 0), Driven(1000, 1), Driven(2000, 0), Driven(3000, 3), Driven(4000, 0)]


def captured(*edges: tuple[int, int]) -> list[Delays]:
    changes = changes_of([Edge(*edge) for edge in edges])
    return delays(DRIVEN, changes, STRAIGHT, 5000)


def test_latest_rise_and_fall_count() -> None:
    found = captured((0, 0), (1010, 1), (2005, 0), (3000, 1), (3040, 3), (4020, 2), (4090, 0))
    assert (found[0].rise_us, found[0].fall_us, found[0].stray_edges) == (10, 20, 0)
    assert (found[1].rise_us, found[1].fall_us, found[1].stray_edges) == (40, 90, 0)
    assert [entry.slow for entry in found[:3]] == [False, True, False]
    assert found[2] == Delays()


def test_the_latest_edge_counts_though_quick_ones_follow() -> None:
    found = captured((0, 0), (1060, 1), (2080, 0), (3001, 3), (4002, 0))
    assert (found[0].rise_us, found[0].fall_us, found[0].slow) == (60, 80, True)


def test_an_edge_may_be_dated_a_little_early() -> None:
    found = captured((0, 0), (998, 1), (2000, 0), (2999, 3), (3999, 0))
    assert found[0] == Delays(0, 0, 0)


def test_bouncing_is_stray_and_the_last_edge_counts() -> None:
    found = captured((0, 0), (1000, 1), (1003, 0), (1008, 1), (2000, 0), (3000, 3), (4000, 0))
    assert found[0] == Delays(8, 0, 2)


def test_an_input_that_moves_without_reason() -> None:
    found = captured((0, 0), (1000, 1), (1500, 9), (1502, 1), (2000, 0), (3000, 3), (4000, 0))
    assert found[3] == Delays(None, None, 2)


def test_what_comes_later_does_not_count() -> None:
    found = captured((0, 0), (1000, 1), (2000, 0), (3000, 3), (4000, 0), (5000, 8), (5100, 0))
    assert found[3].stray_edges == 0


@pytest.mark.parametrize(("asked", "seen"), [(500, 500), (500, 497), (500, 520)])
def test_width(asked: int, seen: int) -> None:
    changes = changes_of([Edge(0, 0), Edge(1000, 3), Edge(1000 + seen, 0), Edge(9000, 3)])
    pulse = pulse_width(asked, 1000, 5000, changes, moving=3)
    assert pulse == PulseWidth(asked, (seen, seen, *[None] * 6))
    assert width_error_us(pulse, leave_out=0) == seen - asked
    assert width_error_us(pulse, leave_out=3) is None


def test_the_largest_error_counts_whichever_way() -> None:
    assert width_error_us(PulseWidth(500, (501, 460, None, 530)), leave_out=0) == -40
    assert width_error_us(PulseWidth(500, (501, 460, None, 545)), leave_out=0) == 45


def test_pulse_that_did_not_get_through() -> None:
    changes = changes_of([Edge(0, 0), Edge(1000, 1), Edge(1500, 0)])
    assert pulse_width(500, 1000, 5000, changes, moving=3).seen_us[:2] == (500, None)
    stays = changes_of([Edge(0, 0), Edge(1000, 3), Edge(1500, 2)])
    assert pulse_width(500, 1000, 5000, stays, moving=3).seen_us[:2] == (500, None)


def test_slowest() -> None:
    edges = [Edge(90, 0), Edge(100, 1), Edge(180, 3)]
    assert slowest_us(Driven(100, 3), 1000, edges) == 80
    assert slowest_us(Driven(200, 3), 1000, edges) == 0
    assert slowest_us(Driven(100, 3), 1000, []) == 0
