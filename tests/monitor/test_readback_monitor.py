"""A program that drives lines by itself: captured edges become codes with their times."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from simulated_program import STEPPED, at, ferry_plan, kinds

from tallymark import Box, markerlog
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Edge, Edges
from tallymark.markerlog import MarkerLog
from tallymark.markerlog.marker_durations import durations
from tallymark.monitor import LiveScreen, compare_log
from tallymark.monitor.readback_recorder import SETTLE_US, LineDecoder, LineRecorder, line_recorder
from tallymark.plan import Plan
from tallymark.recording import bids


@contextmanager
def watching(
    path: Path, where: str = STEPPED, plan: Plan | None = None, **changes: object
) -> Iterator[tuple[Box, LineRecorder]]:
    """The lines of a box stand for those of a program; its loopback brings them to the readback."""
    with Box.open(where) as box:
        settings = box.settings.read().changed(**changes)
        box.settings.write(settings)
        console = Console(file=io.StringIO(), width=80)
        with (
            LiveScreen(None, settings, console=console) as screen,
            MarkerLog.for_box(path, box, plan) as log,
            line_recorder(box, settings, screen, log) as kept,
        ):
            yield box, kept


def drive(box: Box, *codes: int, width_us: int = 5_000, pause_us: int = 20_000) -> None:
    for code in codes:
        box.pulse(code, width_us)
        box.pacing.sleep(pause_us * 1e-6)


@pytest.mark.parametrize("idle", ["low", "high"])
@pytest.mark.parametrize("skew_us", [0, 7])
def test_codes_with_their_times_and_widths(tmp_path, idle, skew_us):
    """Line 0 may be slower than the others."""
    path = tmp_path / "log.jsonl"
    with watching(path, f"{STEPPED}&fault=slow:0,{skew_us}us,{skew_us}us", idle=idle) as (box, _):
        drive(box, 9, 17, 36)
    data = markerlog.read(path)
    assert [(m.code, m.source) for m in data.markers] == [
        (code, "lines") for code in (9, 0, 17, 0, 36, 0)
    ]
    onsets = [m.box_us for m in data.markers if m.code]
    assert [later - onsets[0] for later in onsets] == [0, 20_000, 40_000]
    assert [lasted.us for lasted in durations(data) if lasted.us] == [5_000] * 3
    assert compare_log(ferry_plan(), data).clean


def test_faults_of_such_a_program_are_found(tmp_path):
    path = tmp_path / "log.jsonl"
    with watching(path) as (box, _):
        drive(box, 9, 37)
        drive(box, 36, width_us=1_000)
        box.set(17)
        box.pacing.sleep(0.005)
        box.set(9)
        box.pacing.sleep(0.005)
        box.set(0).wait()
    plan = ferry_plan({"empty sea": 2, "ferry at left": 1, "horn": 1})
    found = compare_log(plan, markerlog.read(path))
    assert kinds(found) == ["not in the plan", "width", "never idle"]
    assert [at(finding) for finding in found.wrong] == [[(3, 37)], [(5, 36)], [(7, 17)]]
    assert "byte_mode" not in found.wrong[2].remedy


def test_its_bids_events_have_names_and_no_returns_to_idle(tmp_path):
    path, target = tmp_path / "log.jsonl", tmp_path / "events.tsv"
    with watching(path, plan=ferry_plan()) as (box, _):
        drive(box, 9, 17, 9)
    bids.write_log(markerlog.read(path), target)
    cells = [line.split("\t")[1:4] for line in target.read_text().splitlines()[1:]]
    assert cells == [
        ["0.005000", "empty sea", "9"],
        ["0.005000", "ferry at left", "17"],
        ["0.005000", "empty sea", "9"],
    ]


def test_the_last_code_is_told_though_nothing_follows(tmp_path):
    path = tmp_path / "log.jsonl"
    with watching(path) as (box, kept):
        box.set(9).wait()
        box.pacing.sleep(0.3)
        kept.look()
        assert [m.code for m in markerlog.read(path).markers] == [9]
        box.set(17).wait()
    assert [m.code for m in markerlog.read(path).markers] == [9, 17]


def test_changes_that_were_lost_are_told(tmp_path):
    path = tmp_path / "log.jsonl"
    with watching(path) as (box, kept):
        drive(box, 9)
        kept.hear(Edges(kept._next + 3, 3, ()))
        drive(box, 17)
    assert kept.lost == 3
    data = markerlog.read(path)
    assert [lost.count for lost in data.missing] == [3]
    assert "the capture buffer was full" in data.missing[0].why
    assert not compare_log(ferry_plan({"empty sea": 1, "ferry at left": 1}), data).clean


@given(
    codes=st.lists(st.integers(0, 255), max_size=8),
    spread=st.lists(st.integers(0, SETTLE_US - 1), min_size=8, max_size=8),
    high=st.booleans(),
)
def test_lines_that_change_apart_are_one_code(codes, spread, high):
    """Whatever the order in which the lines of a code arrive within the time to settle."""
    idle = 0xFF if high else 0
    settings = Settings().changed(idle="high" if high else "low")
    edges, levels, now = [Edge(0, idle)], idle, 1_000
    for code in codes:
        target = code ^ idle
        for line in sorted(range(8), key=lambda line: spread[line]):
            if (target ^ levels) >> line & 1:
                levels ^= 1 << line
                edges.append(Edge(now + spread[line], levels))
        now += 1_000
    seen = LineDecoder(settings)
    found = seen.add(edges) + seen.until(now)
    wanted = [code for before, code in zip([0, *codes], codes, strict=False) if code != before]
    assert [code for code, _ in found] == wanted
