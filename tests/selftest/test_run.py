"""The complete self-test on the virtual box, in stepped time: it names the faults of its wiring.

`TALLYMARK_ALL_PAIRS=1` runs every pair of faults (8,001, about 20 minutes) instead of a sample.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from itertools import combinations, product

import pytest

from tallymark import Box, PortGone
from tallymark.box.wire.answer_values import Levels
from tallymark.box.wire.protocol_enumerations import Idle
from tallymark.common.formatting import time_value
from tallymark.common.lines.readback_wiring_model import Fault, Kind, Wiring, single_faults
from tallymark.verification.selftest import Report, SelftestStopped, Verdict, run

SINGLES = [*single_faults(), *(Fault(Kind.SLOW, (line,), 200, 300) for line in range(8))]
PAIRS = list(combinations(SINGLES, 2))
SEED, SAMPLE = 8261, 150
EVERYTHING = os.environ.get("TALLYMARK_ALL_PAIRS") == "1"


def open_box(*faults: Fault | str) -> Box:
    options = "".join(f"&fault={fault}" for fault in faults)
    return Box.open(f"virtual://?time=stepped{options}")


@pytest.fixture
def box() -> Iterator[Box]:
    with open_box() as box:
        yield box


def explanations(report: Report) -> list[set[str]]:
    """Every explanation that the report names, as a set of faults."""
    return [
        set().union(*choice)
        for places in report.explanations
        for choice in product(
            *([set(some) for some in combinations(place.faults, place.needs)] for place in places)
        )
    ]


def names(report: Report, truth: tuple[Fault, ...]) -> bool:
    """Whether a report names the faults that are there, or says where one of them can't show."""
    in_levels = {str(fault) for fault in truth if fault.kind is not Kind.SLOW}
    named = explanations(report) or [set()]
    beside = set(report.hidden_faults).union(*named)
    levels_named = in_levels in named or any(
        faults < in_levels and in_levels - faults <= beside for faults in named
    )
    slow = {str(fault) for fault in truth if fault.kind is Kind.SLOW}
    measured = {fault for place in report.measured for fault in place.faults}
    never_moved = {
        entry.line for entry in report.inputs if entry.rise_us is None and entry.fall_us is None
    }
    may_hide = {text for text in slow if Fault.parse(text).lines[0] in never_moved}
    return levels_named and measured == slow - may_hide


def test_straight_wiring(box: Box) -> None:
    report = run(box)
    assert report.verdict is Verdict.FINE
    assert report.fine
    assert (report.codes_tested, report.codes_altered) == (256, 0)
    assert report.explanations == ()
    assert report.measured == ()
    assert report.edges_lost == 0
    assert [entry.saw for entry in report.inputs] == [f"follows line {line}" for line in range(8)]
    assert all((entry.rise_us, entry.fall_us) == (0, 0) for entry in report.inputs)
    assert {(width.asked_us, width.least_us, width.longest_us) for width in report.widths} == {
        (width, width, width)
        for width in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)
    }
    assert report.latency is not None
    assert report.latency.bound_us < 10
    assert report.latency.longest_us < 10


@pytest.mark.parametrize("fault", SINGLES, ids=str)
def test_single_fault_on_the_box(fault: Fault) -> None:
    with open_box(fault) as box:
        report = run(box)
    assert report.verdict is Verdict.FAULTS
    assert names(report, (fault,))
    if fault.kind is not Kind.UNPLUGGED:
        assert report.width_error_us == 0


@pytest.mark.timeout(7_200 if EVERYTHING else 600)
def test_pairs_of_faults_on_the_box() -> None:
    pairs = PAIRS if EVERYTHING else random.Random(SEED).sample(PAIRS, SAMPLE)
    assert len(PAIRS) == 8001
    not_named = []
    for pair in pairs:
        with open_box(*pair) as box:
            report = run(box)
        if not names(report, pair):
            not_named.append(" ".join(map(str, pair)))
    assert not_named == []


@pytest.mark.parametrize("rise_us", [31, 1_000, 30_000, 90_000])
def test_slow_edges_are_measured_exactly(rise_us: int) -> None:
    with open_box(f"slow:6,{rise_us}us,40us") as box:
        report = run(box)
    assert [place.faults for place in report.measured] == [(f"slow:6,{time_value(rise_us)},40us",)]
    assert report.codes_altered == 0
    for width in report.widths:
        assert (6 in width.missed_by) == (width.asked_us < rise_us)


def test_edges_within_the_limit_are_not_called_slow() -> None:
    with open_box("slow:6,30us,30us") as box:
        report = run(box)
    assert report.fine
    assert report.inputs[6].rise_us == 30


def test_no_cable_at_all() -> None:
    with open_box("unplugged") as box:
        report = run(box)
    assert explanations(report) == [{"unplugged"}]
    assert len(report.hidden_faults) == 110
    assert report.codes_altered == 255
    assert report.altered_example == (1, 0)
    assert report.width_error_us is None


@pytest.mark.parametrize(
    ("lines", "idle"), [(0x0F, Idle.LOW), (0x0F, Idle.HIGH), (0xFF, Idle.HIGH), (0x81, Idle.LOW)]
)
def test_lines_in_use_and_idle_level(box: Box, lines: int, idle: Idle) -> None:
    box.settings.write(box.settings.read().changed(lines=lines, idle=idle))
    box.port.device.edges()
    report = run(box)
    assert report.verdict is Verdict.FINE
    assert report.codes_tested == 2 ** lines.bit_count()
    assert report.lines_in_use == tuple(line for line in range(8) if lines >> line & 1)
    assert report.idle == idle.label
    assert box.levels().outputs == (0xFF if idle is Idle.HIGH else 0)
    seen = {edge.levels ^ box.levels().outputs for edge in box.port.device.edges()}
    assert seen <= {code for code in range(256) if not code & ~lines}


@pytest.mark.parametrize("idle", [Idle.LOW, Idle.HIGH])
@pytest.mark.parametrize(
    "fault", [fault for fault in SINGLES if fault.lines and max(fault.lines) < 4], ids=str
)
def test_single_fault_among_four_lines(fault: Fault, idle: Idle) -> None:
    with open_box(fault) as box:
        box.settings.write(box.settings.read().changed(lines=0x0F, idle=idle))
        report = run(box)
    if fault.kind is Kind.SLOW:
        assert names(report, (fault,))
    else:
        assert {str(fault)} in explanations(report)


def test_hold_limit_and_gap_do_not_disturb(box: Box) -> None:
    box.settings.write(box.settings.read().changed(hold_limit_us=2_000, gap_us=700))
    report = run(box)
    assert report.verdict is Verdict.FINE
    assert report.inputs[0].stray_edges == 0


def test_settings_and_lines_are_left_alone(box: Box) -> None:
    before = box.settings.state()
    box.set(9).wait()
    run(box)
    assert box.settings.state() == before
    assert box.levels().outputs == 0


def test_unsteady_input(box: Box) -> None:
    """A contact that opens between the two passes."""

    def open_line_2(_text: str, done: int, total: int) -> None:
        if (done, total) == (256, 512):
            box.port.device.wire(Wiring(["open:2"]))

    report = run(box, open_line_2)
    assert report.verdict is Verdict.FAULTS
    assert [place.faults for place in report.measured] == [("unsteady:2",)]
    assert [entry.line for entry in report.inputs if entry.unsteady] == [2]
    assert report.explanations == ()


def test_contact_that_flickers(box: Box) -> None:
    """Levels are right whenever they are read, but an input moves in between."""

    def flicker(_text: str, done: int, total: int) -> None:
        if total == 512 and done in (200, 300):
            box.port.device.wire(Wiring(["inverted:5"]))
            box.pacing.sleep(0.0005)
            box.port.device.wire(Wiring())
            box.pacing.sleep(0.0005)

    report = run(box, flicker)
    assert [place.faults for place in report.measured] == [("stray:5",)]


def test_three_faults_are_described(box: Box) -> None:
    box.port.device.wire(Wiring(["open:1", "stuck-high:2", "swapped:4,6"]))
    report = run(box)
    assert report.verdict is Verdict.UNEXPLAINED
    assert report.explanations == ()
    saw = [entry.saw for entry in report.inputs]
    assert saw[1:5] == ["always low", "always high", "follows line 3", "follows line 6"]
    assert [place.faults for place in report.symptoms] == [
        ("open:1", "stuck-low:1"), ("stuck-high:2",), ("swapped:4,6",)
    ]


@pytest.mark.parametrize(
    ("wiring", "words"),
    [
        (["swapped:0,1", "swapped:1,2", "inverted:6"], "Input 0 does not follow its line; it "
         "follows line 1"),
        (["bridged-and:0,1", "bridged-or:2,3", "open:5"], "Lines 2 and 3 are bridged"),
        (["bridged-and:0,1", "bridged-and:1,2", "bridged-and:2,3"], "it shows lines 0 and 1 and 2 "
         "and 3 together"),
        (["bridged-or:0,1", "inverted:0", "open:5"], "it shows the opposite of lines 0 or 1"),
    ],
)
def test_hints_for_many_faults(box: Box, wiring: list[str], words: str) -> None:
    box.port.device.wire(Wiring(wiring))
    report = run(box)
    assert report.verdict is Verdict.UNEXPLAINED
    assert any(words in place.what for place in report.symptoms)


def test_refused_while_a_sequence_plays(box: Box) -> None:
    sequence = box.sequence([(1, 1000), (2, 1000)], repeats=0)
    sequence.start()
    with pytest.raises(SelftestStopped, match="sequence is playing"):
        run(box)
    assert sequence.stop().played > 0


def test_stops_when_something_else_moves_the_lines(
    box: Box, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A byte on the byte input puts out a marker between setting a code and reading it back."""
    levels = box.levels

    def levels_after_a_byte() -> Levels:
        box.port.byte_input(b"\x07")
        return levels()

    monkeypatch.setattr(box, "levels", levels_after_a_byte)
    with pytest.raises(SelftestStopped, match="Something else sends markers"):
        run(box)
    assert levels().outputs == 0


def test_lines_are_idle_after_an_interrupt(box: Box) -> None:
    def interrupt(_text: str, done: int, total: int) -> None:
        if (done, total) == (300, 512):
            assert box.levels().outputs != 0
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(box, interrupt)
    assert box.levels().outputs == 0


def test_unplugged_from_the_computer_in_the_middle() -> None:
    box = open_box()

    def unplug(_text: str, done: int, total: int) -> None:
        if (done, total) == (300, 512):
            box.port.unplug()

    with pytest.raises(PortGone):
        run(box, unplug)
    box.close()


@pytest.mark.parametrize("gap_us", [0, 1, 2, 3, 5])
def test_a_short_gap_is_no_fault(gap_us):
    """The idle of a gap is shorter than what the capture may be wrong by."""
    with Box.open("virtual://?time=stepped") as box:
        box.settings.write(box.settings.read().changed(gap_us=gap_us))
        report = run(box)
    assert report.verdict is Verdict.FINE
    assert [entry.stray_edges for entry in report.inputs] == [0] * 8
    assert all(entry.rise_us is not None and entry.fall_us is not None for entry in report.inputs)


@pytest.mark.parametrize("gap_us", [0, 1, 2])
def test_a_slow_line_is_found_in_spite_of_a_short_gap(gap_us):
    with Box.open("virtual://?time=stepped&fault=slow:2,200us,300us") as box:
        box.settings.write(box.settings.read().changed(gap_us=gap_us))
        report = run(box)
    assert report.verdict is Verdict.FAULTS
    assert report.inputs[2].slow
