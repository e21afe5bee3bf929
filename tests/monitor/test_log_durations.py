"""The log tells the width in force of every pulse, and how long each code was on the lines."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from simulated_program import STEPPED, Watched

from tallymark import Box, markerlog
from tallymark.common.errors import Refused
from tallymark.markerlog import MarkerLog, MarkerLogError
from tallymark.markerlog.marker_durations import durations
from tallymark.recording import columns


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.jsonl"


def told(path: Path) -> list[tuple[int, int | None, bool | None]]:
    return [(m.code, m.width_us, m.stays) for m in markerlog.read(path).markers]


def test_each_pulse_has_the_width_in_force_when_it_was_sent(path):
    with Box.open(STEPPED) as box, MarkerLog(path) as log:
        box.log = log
        box.pulse(1)
        box.pacing.sleep(0.01)
        box.settings.write(box.settings.read().changed(width_us=700))
        box.pulse(2)
        box.pulse(3, 900)
        box.set(4)
        box.set(0)
        box.pacing.sleep(0.01)
        box.settings.factory()
        box.pulse(5)
        box.wait()
        box.log = None
    assert told(path) == [
        (1, 5_000, False), (2, 700, False), (3, 900, False), (4, None, True), (0, None, True),
        (5, 5_000, False),
    ]


def test_settings_that_the_box_refuses_leave_the_width(path):
    with Box.open(STEPPED) as box, MarkerLog(path) as log:
        box.log = log
        settings = box.settings.read()
        box.set(4)
        with pytest.raises(Refused):
            box.settings.write(settings.changed(width_us=700))
        box.pulse(1)
        box.wait()
        box.log = None
    assert told(path)[-1] == (1, 5_000, False)


def test_after_a_restart_nobody_asked_for_the_kept_width_counts(path):
    with Box.open(STEPPED) as box, MarkerLog(path) as log:
        box.log = log
        box.settings.write(box.settings.read().changed(width_us=700))
        box.pulse(1).wait()
        box.port.power_failure()
        box.pacing.sleep(0.01)
        box.pulse(2)
        box.port.byte_input(b"\3")
        box.wait()
        box.pacing.sleep(0.01)
        box.log = None
    assert told(path) == [(1, 700, False), (2, 5_000, False), (3, 5_000, False)]


@pytest.mark.parametrize(
    ("mode", "expected"),
    [
        ("pulse", [(9, 700, False), (0, None, None)]),
        ("limited", [(9, 700, False), (0, None, True)]),
        ("set", [(9, None, True), (0, None, True)]),
        ("off", [(9, None, None), (0, None, None)]),
    ],
)
def test_bytes_have_the_width_of_their_mode(path, mode, expected):
    with Watched(path, settings={"byte_mode": mode, "width_us": 700}) as watched:
        watched.send(9, 0)
    assert told(path) == expected


def test_how_long_codes_were_on_the_lines_is_what_the_lines_did(path):
    """Every way in which a code ends, beside the edges of the virtual box."""
    with Watched(path, settings={"byte_mode": "limited", "width_us": 3_000}) as watched:
        box, device = watched.box, watched.box.port.device
        device.edges()
        watched.send(1, pause_us=5_000)  # the box ends it
        watched.send(2, pause_us=1_000)  # cut
        watched.send(3, pause_us=2_000)  # ended by 0
        watched.send(0)
        box.set(4)  # stays, until a byte replaces it
        watched.wait(7_000)
        watched.send(5)
        box.pulse(6, 12_345)
        watched.wait(20_000)
        box.set(7)  # still out at the end
        box.wait()
        edges = device.edges()
    seen = {
        levels: later[0] - at
        for (at, levels), later in pairwise(edges)
        if levels
    }
    data = markerlog.read(path)
    found = {
        marker.code: lasted.us
        for marker, lasted in zip(data.markers, durations(data), strict=True)
        if marker.code and lasted.us is not None
    }
    assert found == seen
    assert sorted(found) == [1, 2, 3, 4, 5, 6]
    widths = columns(data).width
    assert np.isnan(widths[-1])
    assert list(widths[:-1]) == [seen[code] for code in (1, 2, 3, 4, 5, 6)]


def test_logs_of_early_versions_are_read(path):
    path.write_text(
        '{"marker_log":1,"start":"2026-01-01T00:00:00+00:00","host":5,"box":{},"settings":{},'
        '"plan":null}\n'
        '{"sent":1,"code":5,"host":10}\n{"done":1,"box":1,"host":11,"error":1}\n'
        '{"sent":2,"code":6,"width":800,"host":20}\n{"done":2,"box":9,"host":21,"error":1}\n'
        '{"byte":7,"host":30,"box":20,"error":1}\n{"end":40}\n'
    )
    assert told(path) == [(5, None, None), (6, 800, False), (7, None, None)]
    assert [lasted.us for lasted in durations(markerlog.read(path))] == [None, 800, None]


def test_a_log_is_appended_to_but_nothing_else_is(path, tmp_path):
    with Watched(path) as watched:
        watched.send(9)
    with Watched(path, append=True) as watched:
        watched.send(17)
    data = markerlog.read(path)
    assert [(marker.code, marker.session) for marker in data.markers] == [(9, 0), (17, 1)]
    assert all(end is not None for end in data.ends)
    other = tmp_path / "notes.txt"
    other.write_text("my notes\n")
    with pytest.raises(MarkerLogError, match="is not a marker log"):
        MarkerLog(other, append=True)
    assert other.read_text() == "my notes\n"


def test_ended_holds_and_missing_bytes_are_lines_of_the_log(path):
    with MarkerLog(path) as log:
        log.hold_ended(9, 100, 200, 3)
        log.missing(4, "nobody read.")
    records = [json.loads(line) for line in path.read_text().splitlines()]
    assert records[1] == {"hold_ended": 9, "box": 100, "host": 200, "error": 3}
    assert records[2]["missing"] == 4
    notes = markerlog.read(path).notes()
    assert "took a code to idle once" in notes[0]
    assert notes[1] == "Not in the log: 4 bytes; nobody read."


def test_a_held_code_ends_before_the_gap_of_the_next_one(path):
    with MarkerLog(path) as log:
        log.sent(1, 4, stays=True)
        log.answered(1, 1_000, 1_000, 5)
        log.sent(2, 5, 700, stays=False)
        log.answered(2, 10_000, 10_000, 5, delay_us=2_000)
    assert durations(markerlog.read(path)) == [(7_000, "next", 1), (700, "width", None)]


def test_a_hold_that_ran_out_is_no_marker(path):
    with MarkerLog(path) as log:
        log.sent(1, 4, stays=True)
        log.answered(1, 1_000, 1_000, 5)
        log.hold_ended(4, 51_000, 51_000, 5)
        log.sent(2, 5, 700, stays=False)
        log.answered(2, 90_000, 90_000, 5)
    assert durations(markerlog.read(path)) == [(50_000, "hold", None), (700, "width", None)]


def test_a_held_code_may_have_ended_at_a_marker_of_unknown_fate(path):
    with MarkerLog(path) as log:
        log.sent(1, 4, stays=True)
        log.answered(1, 1_000, 1_000, 5)
        log.sent(2, 6, 700, stays=False)
        log.unconfirmed(2, "no answer came")
        log.sent(3, 5, 700, stays=False)
        log.answered(3, 10_000, 10_000, 5)
    held, lost, last = durations(markerlog.read(path))
    assert (held, lost.ended, last) == ((None, "unknown", None), "none", (700, "width", None))


def test_nobody_knows_when_a_restart_ended_a_held_code(path):
    with MarkerLog(path) as log:
        log.sent(1, 4, stays=True)
        log.answered(1, 1_000, 1_000, 5)
        log.restarted("power-up")
        log.sent(2, 5, 700, stays=False)
        log.answered(2, 500, 90_000, 5)
    assert durations(markerlog.read(path)) == [(None, "unknown", None), (700, "width", None)]


def test_a_code_that_is_out_when_the_log_ends_stays_open(path):
    for append in (False, True):
        with MarkerLog(path, append=append) as log:
            log.sent(1, 4, stays=True)
            log.answered(1, 1_000, 1_000, 5)
    assert durations(markerlog.read(path)) == [(None, "open", None)] * 2
