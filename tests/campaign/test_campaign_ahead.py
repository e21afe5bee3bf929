"""Markers ahead in the campaign: every promise holds over lost notices, markers taken back and
restarts; and what a person may get wrong there is found."""

from __future__ import annotations

from collections import Counter

import pytest
from campaign import play_seed
from planted_bug_check import check_found
from planted_bugs_ahead import PLANTED_AHEAD
from script_reduction import promise_broken
from scripts import play
from scripts_ahead import PROFILES_AHEAD, script_ahead
from world import World

WORLDS = 25
"""For each kind of world."""


@pytest.mark.parametrize("profile", range(len(PROFILES_AHEAD)), ids=list(PROFILES_AHEAD))
def test_promises_hold_of_markers_ahead(profile):
    counts: Counter[str] = Counter()
    for number in range(WORLDS):
        seed, found, broken = play_seed(-1 - profile - number * len(PROFILES_AHEAD))
        assert broken is None, f"campaign.py --seed {seed}"
        counts += found
    assert counts["markers given ahead"] > 10 * WORLDS
    assert counts["told: done, given ahead"] > 5 * WORLDS
    assert counts["markers taken back"] > WORLDS / 2
    assert counts["sequences begun at a time"] > WORLDS / 4


@pytest.mark.parametrize("bug", PLANTED_AHEAD, ids=lambda bug: bug.__name__.strip("_"))
def test_a_planted_bug_ahead_is_found(bug):
    promise, seed = PLANTED_AHEAD[bug]
    check_found(bug, promise, *script_ahead(seed))


def test_the_same_seed_gives_the_same_world_ahead():
    hashes = set()
    for _ in range(2):
        ppm, steps = script_ahead(4)
        with World(ppm) as world:
            play(world, steps)
            hashes.add(world.hash)
    assert len(hashes) == 1


def test_a_restart_takes_markers_ahead_back_before_one_that_waits_for_its_gap():
    """As the protocol has it; the campaign's own model told them the other way round."""
    assert promise_broken(-5000.0, [
        ("settings", {"width_us": 1000, "gap_us": 300, "hold_limit_us": 700_000, "lines": 255,
                      "idle": 0, "overlap": 0, "byte_mode": 1}),
        ("pulse ahead", 5, 1, 15_000, 50_000),
        ("pulse", 3, 1),
        ("pulse", 5, 900),
        ("restart",),
    ]) is None
