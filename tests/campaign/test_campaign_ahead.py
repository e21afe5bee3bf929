"""Markers ahead in the campaign: every promise holds over lost notices, markers taken back and
restarts; and what a person may get wrong there is found."""

from __future__ import annotations

from collections import Counter

import pytest
from campaign import play_seed
from planted_bug_check import check_found
from planted_bugs_ahead import PLANTED_AHEAD
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
