"""Recordings that were made without a line of the library: nothing false is stated of them as
certain, and what can be known is known. `make proof` takes two thousand."""

from __future__ import annotations

from generator.run import tally

COUNT, SEED = 210, 20_260


def test_nothing_false_is_stated_and_what_can_be_known_is() -> None:
    result = tally(COUNT, SEED, oracle_every=3)
    assert not result.false
    assert result.total.recordings == COUNT
    assert result.total.right > 0.6 * (result.total.right + result.total.unknown)
    assert result.total.known >= 0.95 * result.total.knowable > 0
    assert result.total.drift_off == 0
