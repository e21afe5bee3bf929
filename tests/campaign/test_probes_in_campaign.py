"""Probes in the simulated world: their edges are told as what they are, whatever markers, link and
hosts do meanwhile, and no marker is any different for them."""

from __future__ import annotations

from collections import Counter

import pytest
from probed_world import PROFILES, ProbedWorld, script_of
from promise_errors import Broken
from scripts import play

from tallymark.box.probes import Probes
from tallymark.box.wire.answer_values import ProbeEdges

WORLDS = 12
"""For each kind of world."""


@pytest.mark.parametrize("profile", range(len(PROFILES)), ids=list(PROFILES))
def test_edges_of_probes_are_told_as_what_they_are(profile):
    counts: Counter[str] = Counter()
    for number in range(WORLDS):
        seed = profile + number * len(PROFILES)
        with ProbedWorld() as world:
            play(world, script_of(seed))
            counts += world.counts
    assert counts["changes at probes"] > 100 * WORLDS
    assert counts["probe edges in logs"] > 10 * WORLDS
    assert counts["markers on the lines"] > 5 * WORLDS
    if list(PROFILES)[profile] == "lossy link":
        assert counts["probe edges lost on the link"] > 5


def test_the_same_seed_gives_the_same_world():
    hashes = set()
    for _ in range(2):
        with ProbedWorld() as world:
            play(world, script_of(1))
            hashes.add(world.hash)
    assert len(hashes) == 1


@pytest.mark.parametrize("bug", ["lost", "repeated", "turned round"])
def test_a_library_that_tells_them_wrong_is_found(monkeypatch, bug):
    hear = Probes.hear

    def wrong(self: Probes, notice: ProbeEdges) -> None:
        if bug != "lost" or notice.edges[0].probe != "ttl":
            hear(self, notice)
        if bug == "repeated":
            hear(self, notice)

    monkeypatch.setattr(Probes, "hear", wrong)
    if bug == "turned round":
        monkeypatch.setattr("probed_world.SOURCES", {1: "sound", 2: "light", 3: "light",
                                                     4: "sound", 5: "ttl"})
    with pytest.raises(Broken), ProbedWorld() as world:
        play(world, script_of(0))
