"""What a probe saw, out of the edges of a log; and where some of them may be missing."""

from __future__ import annotations

from pathlib import Path

from tallymark.markerlog.delay.onsets import Sight, sight
from tallymark.markerlog.reader import LogData, LoggedProbeEdge


def seen(*edges: tuple[str, bool, int, int, int]) -> Sight:
    """Of the light in part 0. edges: probe, on, box time (µs), part, how many were lost before."""
    log = LogData(Path("ferry.jsonl"))
    log.probe_edges += [
        LoggedProbeEdge(probe, on, box_us, None, None, part, 0, lost)
        for probe, on, box_us, part, lost in edges
    ]
    return sight(log, "light", 0)


def test_onsets_and_ends_are_those_of_the_probe_and_the_part():
    found = seen(
        ("light", True, 1_000, 0, 0),
        ("sound", True, 1_500, 0, 0),
        ("light", False, 2_000, 0, 0),
        ("light", True, 500, 1, 3),
    )
    assert (found.onsets.tolist(), found.ends.tolist(), found.blind) == ([1_000], [2_000], ())


def test_two_edges_of_one_kind_lack_one_in_between():
    for on in (True, False):
        found = seen(("light", on, 1_000, 0, 0), ("light", on, 5_000, 0, 0))
        assert found.blind == ((1_000, 5_000),)
        assert found.may_be_missing(3_000, 4_000)
        assert not found.may_be_missing(5_001, 6_000)


def test_edges_that_had_no_room_are_of_the_time_since_the_edge_before():
    """Of any probe: the box tells them in the order in which they came."""
    found = seen(
        ("light", True, 1_000, 0, 0),
        ("sound", True, 2_000, 0, 0),
        ("light", False, 6_000, 0, 255),
    )
    assert found.blind == ((2_000, 6_000),)


def test_edges_that_were_lost_before_the_first_one_may_be_of_any_time_before():
    found = seen(("light", True, 9_000, 0, 255))
    assert found.may_be_missing(3_000, 4_000)
    assert not found.may_be_missing(9_001, 9_500)
