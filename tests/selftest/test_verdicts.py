"""Verdicts from given observations, without a box: each kind of fault alone is enough to fail."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Edge, Identity
from tallymark.box.wire.protocol_enumerations import Cause
from tallymark.verification.selftest.report import Report, Verdict
from tallymark.verification.selftest.report_builder import WIDTH_TOLERANCE_US, Observations, judge
from tallymark.verification.selftest.timing import Driven

IDENTITY = Identity(
    protocol="2.0", firmware="1.0.0", board="pico", serial="A1" * 8, cause=Cause.POWER,
    newest_tag=0,
    window=440, history=64, steps=1024, edges=512, least_width_us=1,
    longest_width_us=3_600_000_000, name="",
)
TABLE = {levels: levels for levels in range(256)}
DRIVEN = [Driven(0, 0), Driven(1_000, 255), Driven(2_000, 0)]
STEADY = [Edge(0, 0), Edge(1_000, 255), Edge(2_000, 0)]
PULSES = [(10_000, 500), (20_000, 3_000)]


def pulses(off_us: int = 0, levels: int = 255) -> list[Edge]:
    """The edges of the pulses, each so much longer than was asked for."""
    return [
        edge
        for start, width in PULSES
        for edge in (Edge(start, levels), Edge(start + width + off_us, 0))
    ]


STRAIGHT = Observations(
    identity=IDENTITY, port="port", settings=Settings(), tables=[TABLE, TABLE], driven=DRIVEN,
    edges=STEADY + pulses(), steady_end_us=5_000, pulses=PULSES, settle_us=500, latency=None,
    edges_lost=0, started_utc="2026-03-01T09:00:00Z", seconds=1.0,
)


def named(report: Report) -> set[str]:
    """The faults that are named out of measured times."""
    return {fault for place in report.measured for fault in place.faults}


def test_nothing_is_wrong():
    report = judge(STRAIGHT)
    assert report.verdict is Verdict.FINE
    assert named(report) == set()
    assert (report.codes_tested, report.codes_altered, report.width_error_us) == (256, 0, 0)
    assert all(entry.right and not entry.slow for entry in report.inputs)
    assert [(w.asked_us, w.least_us, w.longest_us, w.missed_by) for w in report.widths] == [
        (500, 500, 500, ()), (3_000, 3_000, 3_000, ())
    ]


@pytest.mark.parametrize("off_us", [1, WIDTH_TOLERANCE_US, 2 * WIDTH_TOLERANCE_US, 400])
@pytest.mark.parametrize("sign", [1, -1], ids=["too long", "too short"])
def test_pulses_that_are_off(off_us, sign):
    report = judge(replace(STRAIGHT, edges=STEADY + pulses(sign * off_us)))
    assert report.width_error_us == sign * off_us
    wrong = off_us > WIDTH_TOLERANCE_US
    assert named(report) == ({"width"} if wrong else set())
    assert report.verdict is (Verdict.FAULTS if wrong else Verdict.FINE)
    if wrong:
        assert f"{sign * off_us:+} µs" in report.measured[0].what


def test_the_largest_error_counts():
    edges = [Edge(10_000, 255), Edge(10_501, 0), Edge(20_000, 255), Edge(22_700, 0)]
    assert judge(replace(STRAIGHT, edges=STEADY + edges)).width_error_us == -300


def test_an_input_that_misses_pulses():
    edges = [*STEADY, Edge(10_000, 255), Edge(10_500, 0), Edge(20_000, 0xFB), Edge(23_000, 0)]
    report = judge(replace(STRAIGHT, edges=edges))
    assert report.verdict is Verdict.FAULTS
    assert named(report) == {"missed:2"}
    assert [width.missed_by for width in report.widths] == [(), (2,)]
    assert "did not see pulses of 3000 µs" in report.measured[0].what


@pytest.mark.parametrize(
    "edges",
    [[Edge(0, 0), Edge(1_000, 0xF7), Edge(1_200, 255), Edge(2_000, 0)],
     [Edge(0, 0), Edge(1_000, 255), Edge(2_000, 8), Edge(2_200, 0)]],
    ids=["rise", "fall"],
)
def test_a_slow_edge(edges):
    """Widths from a slow input are not judged."""
    slow_pulses = [
        Edge(start + extra, levels)
        for start, width in PULSES
        for extra, levels in ((0, 0xF7), (200, 255), (width, 0))
    ]
    report = judge(replace(STRAIGHT, edges=edges + slow_pulses))
    assert report.verdict is Verdict.FAULTS
    assert len(named(report)) == 1
    assert named(report).pop().startswith("slow:3,")
    assert report.inputs[3].slow
    assert report.width_error_us == 0
    assert report.widths[0].least_us == report.widths[0].longest_us == 500


def test_an_input_that_bounces():
    edges = [Edge(0, 0), Edge(1_000, 255), Edge(1_003, 0x7F), Edge(1_006, 255), Edge(2_000, 0)]
    report = judge(replace(STRAIGHT, edges=edges + pulses()))
    assert report.verdict is Verdict.FAULTS
    assert named(report) == {"stray:7"}
    assert report.inputs[7].stray_edges == 2


def test_an_input_that_is_not_the_same_each_time():
    report = judge(replace(STRAIGHT, tables=[TABLE, TABLE | {3: 2}]))
    assert report.verdict is Verdict.FAULTS
    assert named(report) == {"unsteady:0"}
    assert report.inputs[0].unsteady
    assert not report.inputs[0].right
    assert report.inputs[0].saw == "unsteady"


def test_what_the_levels_say_counts_alone():
    """Line 1 is open: no edge is late, and no width is wrong."""
    table = {levels: levels & ~2 for levels in range(256)}
    edges = [Edge(at, levels & ~2) for at, levels in STRAIGHT.edges]
    report = judge(replace(STRAIGHT, tables=[table, table], edges=edges))
    assert report.verdict is Verdict.FAULTS
    assert report.measured == ()
    assert (report.codes_altered, report.altered_example) == (128, (2, 0))
    assert [entry.line for entry in report.inputs if not entry.right] == [1]
    assert all(width.missed_by == () for width in report.widths)


def test_levels_that_nothing_explains():
    table = {levels: (levels * 37 + 11) & 255 for levels in range(256)}
    assert judge(replace(STRAIGHT, tables=[table])).verdict is Verdict.UNEXPLAINED
