"""A minute of the campaign: every promise holds in worlds with every kind of fault; the same seed
gives the same world; and each promise is seen to break when somebody makes a mistake."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from campaign import play_seed
from campaign_result_tables import CHECKED_BY
from planted_bug_check import check_found
from planted_bugs import PLANTED
from script_reduction import promise_broken, shrunk
from scripts import PROFILES, play
from world import World
from world_of_seed import PROBED, kind_of, script_of, world_of

WORLDS = 40
"""For each kind of world."""
HERE = Path(__file__).parent


def trace_of(seed: int) -> str:
    """The hash of all that happens in a world."""
    ppm, steps = script_of(seed)
    with World(ppm) as world:
        play(world, steps)
        return world.hash


@pytest.mark.parametrize("profile", range(len(PROFILES)), ids=list(PROFILES))
def test_promises_hold(profile):
    counts: Counter[str] = Counter()
    for number in range(WORLDS):
        seed, found, broken = play_seed(profile + number * len(PROFILES))
        assert broken is None, f"campaign.py --seed {seed}"
        counts += found
    assert counts["steps"] > WORLDS * 80
    assert counts["markers on the lines"] > 10 * WORLDS
    assert counts["strobes"] > WORLDS / 4


@pytest.mark.parametrize("seed", range(len(PROFILES)), ids=list(PROFILES))
def test_the_same_seed_gives_the_same_world(seed):
    assert trace_of(seed) == trace_of(seed)


def test_another_process_gives_the_same_world_too():
    code = (
        f"import sys; sys.path.insert(0, {str(HERE)!r}); import test_campaign;"
        "print(test_campaign.trace_of(8))"
    )
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert other.stdout.strip() == trace_of(8)


def test_another_seed_gives_another_world():
    assert trace_of(8) != trace_of(17)


@pytest.mark.parametrize("bug", PLANTED, ids=lambda bug: bug.__name__.strip("_"))
def test_a_planted_bug_is_found(bug):
    promise, seed = PLANTED[bug]
    assert promise in CHECKED_BY
    check_found(bug, promise, *script_of(seed), world_of(seed))


def test_every_promise_of_the_host_has_a_planted_bug():
    """Those of the box have theirs in C, in the table of mutants."""
    promises = {promise for promise, _ in PLANTED.values()}
    assert set(CHECKED_BY) - promises == {"box-answers-true", "log-readable"}


def test_a_failing_script_is_cut_down():
    bug = next(iter(PLANTED))
    promise, seed = PLANTED[bug]
    ppm, steps = script_of(seed)
    with bug():
        short = shrunk(ppm, steps, promise)
        again = promise_broken(ppm, short)
    assert again is not None
    assert again.promise == promise
    assert len(short) < 12


def test_the_kinds_of_worlds_have_seeds_of_their_own():
    for seed in (0, 5, -1, -7, PROBED, PROBED + 3):
        name = kind_of(seed)
        assert name.startswith("probes") == (seed >= PROBED)
        assert name.startswith("ahead") == (seed < 0)
        broken = promise_broken(*script_of(seed), world_of(seed))
        assert broken is None, f"campaign.py --seed {seed}"
