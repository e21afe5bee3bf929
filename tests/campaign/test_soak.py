"""A short soak: the same month with fewer markers (`make soak` for ten million)."""

from __future__ import annotations

from soak import soak_core, soak_library


def test_a_month_through_the_core():
    assert soak_core(20_000).days > 29.9


def test_a_month_the_whole_way():
    found = soak_library(1000)
    assert found.days > 29.9
    assert found.worst_share <= 1
