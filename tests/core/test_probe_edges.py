"""Probes on the smallest board: one digital input, room for four edges, no analog inputs."""

from __future__ import annotations

import pytest
from small_box import FACTORY, SmallBox

from tallymark.box.wire.protocol_enumerations import (
    Answer,
    EdgeSource,
    Notice,
    ProbeBit,
    Reason,
    Request,
)

EDGES = 4
LATE = 2**47 - 1  # the latest time that an edge can carry


def told(box: SmallBox) -> list[tuple[int, list[tuple[int, int, int]]]]:
    """What the box says of probes when it gets its turn: lost, and the entries."""
    box.lib.small_poll()
    found = []
    for kind, _, fields in box.said():
        assert kind == Notice.PROBE_EDGES
        found.append((fields.lost, [(e.time, e.source, e.on) for e in fields.edges]))
    return found


@pytest.mark.parametrize("time", [0, 5, 2**32 - 1, 2**32, LATE])
@pytest.mark.parametrize("source", [EdgeSource.LIGHT_EDGE, EdgeSource.TTL])
def test_an_edge_is_told_with_its_time(box, time, source):
    box.lib.small_probe(time, source, True)
    assert told(box) == [(0, [(time, source, 1)])]
    assert told(box) == []


def test_edges_without_room_are_counted_before_the_next_one(box):
    for number in range(EDGES + 3):
        box.lib.small_probe(100 + number, 5, number % 2 == 0)
    assert told(box) == [(0, [(100 + n, 5, int(n % 2 == 0)) for n in range(EDGES)])]
    box.lib.small_probe(500, 5, True)
    box.lib.small_probe(600, 5, False)
    assert told(box) == [(3, [(500, 5, 1), (600, 5, 0)])]
    assert box.counters()["edges_lost"] == 3


@pytest.mark.parametrize("lost", [255, 256, 700])
def test_255_stands_for_more(box, lost):
    for number in range(EDGES + lost):
        box.lib.small_probe(number, 5, True)
    told(box)
    box.lib.small_probe(9999, 5, False)
    assert told(box) == [(255, [(9999, 5, 0)])]
    assert box.counters()["edges_lost"] == lost


def test_edges_wait_for_room(box):
    box.lib.small_set_room(66 + 1 + 5 * 10 + 5)  # one byte too few
    box.lib.small_probe(7, 5, True)
    assert told(box) == []
    box.lib.small_set_room(66 + 1 + 5 * 10 + 6)
    assert told(box) == [(0, [(7, 5, 1)])]


def test_while_a_capture_runs_they_are_in_it_too(box):
    box.done(Request.CAPTURE_START, mode=0)
    box.lib.small_captured(40, 0xFF)
    box.lib.small_probe(41, 3, True)
    box.lib.small_captured(42, 0x81)
    assert told(box) == [(0, [(41, 3, 1)])]
    entries = box.done(Request.CAPTURE_FETCH, first=1).edges
    assert [(e.time, e.source, e.levels) for e in entries] == [
        (40, 0, 0xFF), (41, 3, 1), (42, 0, 0x81)
    ]
    box.done(Request.CAPTURE_STOP)
    box.lib.small_probe(50, 3, False)
    assert told(box) == [(0, [(50, 3, 0)])]
    assert box.done(Request.CAPTURE_FETCH, first=4).edges == []


def test_a_full_capture_costs_its_own_entry_only(box):
    box.done(Request.CAPTURE_START, mode=0)
    for number in range(8):
        box.lib.small_captured(number, number)
    assert box.counters()["edges_lost"] == 1
    box.lib.small_probe(90, 5, True)
    assert told(box) == [(0, [(90, 5, 1)])]
    assert box.counters()["edges_lost"] == 2


@pytest.mark.parametrize(
    ("probes", "wrong"),
    [
        (ProbeBit.LIGHT_LEVEL, Reason.UNSUPPORTED),
        (ProbeBit.SOUND_LEVEL, Reason.UNSUPPORTED),
        (ProbeBit.LIGHT_STEADY, Reason.UNSUPPORTED),
        (0x80, Reason.UNSUPPORTED),
        (ProbeBit.LIGHT_EDGE | ProbeBit.SOUND_EDGE, Reason.VALUE_RANGE),
        (ProbeBit.LIGHT_EDGE | ProbeBit.TTL, Reason.VALUE_RANGE),
        (ProbeBit.SOUND_EDGE | ProbeBit.TTL, Reason.VALUE_RANGE),
        (ProbeBit.TTL_LOW, Reason.VALUE_RANGE),
        (ProbeBit.LIGHT_EDGE, None),
        (ProbeBit.SOUND_EDGE, None),
        (ProbeBit.TTL, None),
        (ProbeBit.TTL | ProbeBit.TTL_LOW, None),
    ],
)
def test_what_a_board_with_one_input_watches(box, probes, wrong):
    record = FACTORY | {"probes": int(probes)}
    if wrong is None:
        box.done(Request.SETTINGS_WRITE, **record)
        assert box.lib.small_probes() == probes
        assert box.done(Request.SETTINGS_READ).record.probes == probes
        box.done(Request.SETTINGS_FACTORY)
    else:
        assert box.refused(Request.SETTINGS_WRITE, **record) == (wrong, 37)
    assert box.lib.small_probes() == 0


@pytest.mark.parametrize(
    ("field", "offset"),
    [("threshold_a", 42), ("hysteresis_a", 44), ("threshold_b", 46), ("hysteresis_b", 48)],
)
def test_thresholds_need_analog_inputs(box, field, offset):
    record = FACTORY | {field: 256}
    assert box.refused(Request.SETTINGS_WRITE, **record) == (Reason.UNSUPPORTED, offset)


def test_kept_probes_are_watched_from_the_start(box):
    box.done(Request.SETTINGS_WRITE, **FACTORY | {"probes": int(ProbeBit.TTL)})
    box.done(Request.SETTINGS_KEEP)
    box.start()
    assert box.lib.small_probes() == ProbeBit.TTL


def test_levels_are_those_of_the_board(box):
    box.wait(70)
    answer = box.done(Request.PROBE_LEVELS)
    assert box.kind == Answer.PROBE_LEVELS
    assert (answer.time, answer.on) == (70, ProbeBit.TTL)
    assert (answer.low_a, answer.high_a, answer.low_b, answer.high_b) == (100, 300, 200, 400)


def test_snippets_need_analog_inputs(box):
    asked = {"input": 0, "every": 1}
    assert box.refused(Request.SNIPPET_TAKE, **asked) == (Reason.UNSUPPORTED, 0)
    assert box.refused(Request.SNIPPET_READ, first=0) == (Reason.UNSUPPORTED, 0)
