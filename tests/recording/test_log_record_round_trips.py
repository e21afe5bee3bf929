"""Each record of a marker log, written and read: what it says, and what it must not change."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tallymark import Box, Settings, markerlog
from tallymark import plan as plans
from tallymark.markerlog import LoggedMarker, MarkerLog, MarkerLogError
from tallymark.markerlog.log_data import Missing

STEPPED = "virtual://?time=stepped"
HEADER = {"marker_log": 1, "start": "2026-03-01T09:00:00+00:00", "host": 0, "box": {}}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.jsonl"


def lines(path: Path, *records: dict[str, Any]) -> markerlog.LogData:
    """A log of these records, written by hand."""
    path.write_text("".join(json.dumps(record) + "\n" for record in records))
    return markerlog.read(path)


def sent(number: int, code: int = 5) -> dict[str, Any]:
    return {"sent": number, "code": code, "width": 5000, "host": 1000 * number}


def done(number: int, box: int = 7) -> dict[str, Any]:
    return {"done": number, "box": box, "host": box + 100, "error": 3}


def records(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text().splitlines()]


# Writing ------------------------------------------------------------------------------------------


def test_nothing_is_left_out_because_it_is_zero(path):
    with MarkerLog(path) as log:
        log.sent(1, 5, 5000)
        log.answered(1, 0, 0, 0, cut_us=0, delay_us=0)
        log.sent(2, 5, 5000)
        log.refused(2, "cancelled", cut_us=0)
        log.byte_marker(
            LoggedMarker(-1, 9, 5000, box_us=0, host_us=0, error_us=0, fate="done", cut_us=0)
        )
        log.late(1, 0)
    first, second, byte = markerlog.read(path).markers
    assert (first.box_us, first.host_us, first.error_us, first.cut_us) == (0, 0, 0, 0)
    assert (second.fate, second.why, second.cut_us) == ("refused", "cancelled", 0)
    assert (byte.box_us, byte.host_us, byte.error_us, byte.cut_us) == (0, 0, 0, 0)
    assert first.late_us == 0


def test_what_a_byte_tells_comes_back(path):
    out = LoggedMarker(
        -1, 9, 700, box_us=1, host_us=2, error_us=3, fate="done", cut_us=4, delay_us=5,
        source="byte", part=0, session=0, stays=False,
    )
    refused = LoggedMarker(
        -1, 8, None, box_us=1, host_us=2, error_us=3, fate="refused", why="overlap",
        source="byte", part=0, session=0,
    )
    with MarkerLog(path) as log:
        log.byte_marker(out)
        log.byte_marker(refused)
        log.line_marker(LoggedMarker(-1, 3, box_us=1, host_us=2, error_us=3))
    first, second, line = markerlog.read(path).markers
    assert first == out
    assert second == refused
    assert (line.code, line.source, line.fate, line.stays) == (3, "lines", "done", True)


def test_whether_a_code_stays(path):
    with MarkerLog(path) as log:
        log.sent(1, 5, stays=True)
        log.sent(2, 5, stays=False)
        log.sent(3, 5, 700, stays=False)
        log.sent(4, 5, name="horn")
        log.sent(5, 6, name="ferry left")
        log.sent(6, 5, name="horn")
    assert [(m.width_us, m.stays, m.name) for m in markerlog.read(path).markers] == [
        (None, True, None), (None, False, None), (700, False, None),
        (None, None, "horn"), (None, None, "ferry left"), (None, None, "horn"),
    ]


def test_a_log_for_a_box_says_which_and_how_it_is_set(path):
    plan = plans.from_mapping({
        "name": "Ferry",
        "session": {"width_us": 5000},
        "event": [{"name": "horn", "code": 36}, {"name": "second horn", "code": 36}],
    })
    with Box.open(STEPPED) as box:
        box.settings.write(Settings(width_us=7_000, idle=Settings().changed(idle="high").idle))
        begin = box.pacing.now()
        with MarkerLog.for_box(path, box, plan) as log:
            assert box.log is log
            box.pulse(36).wait()
            box.pacing.sleep(2)
            box.port.power_failure()
            box.pacing.sleep(0.01)
            box.log = None
    header, *rest = records(path)
    assert header["box"]["serial"] == "7669727475616C01"
    assert (header["settings"]["width_us"], header["settings"]["idle"]) == (7_000, "high")
    assert header["plan"] == {
        "name": "Ferry", "digest": plan.digest, "events": {"36": "horn"}
    }
    assert abs(header["host"] - begin * 1e6) < 1
    restart, end = rest[-2:]
    assert abs(restart["host"] - header["host"] - 2_000_000) < 20_000
    assert end["end"] >= restart["host"]


def test_only_a_marker_log_is_appended_to(path):
    path.write_text("onset\tduration\n")
    with pytest.raises(MarkerLogError, match="nothing is appended"):
        MarkerLog(path, append=True)
    assert path.read_text() == "onset\tduration\n"


# Reading ------------------------------------------------------------------------------------------


def test_a_part_that_was_not_closed_is_told_though_one_before_was(path):
    MarkerLog(path, now_us=lambda: 10).close()
    assert markerlog.read(path).notes() == []
    log = MarkerLog(path, append=True, now_us=lambda: 20)
    data = markerlog.read(path)
    assert not data.ended
    assert data.ends == [10, None]
    assert data.notes() == ["The log was not closed: its program was killed or is still running."]
    log.close()
    data = markerlog.read(path)
    assert data.ended
    assert data.ends == [10, 20]


def test_a_marker_that_is_done_stays_done(path):
    """Whatever comes later, such as the end of a link that knew no more of it."""
    data = lines(
        path, HEADER, sent(1), sent(2), done(1), {"unconfirmed": 1, "why": "closed"},
        {"unconfirmed": 2, "why": "closed"}, sent(3), {"refused": 3, "why": "overlap"},
        {"unconfirmed": 3, "why": "closed"},
    )
    assert [(m.fate, m.why) for m in data.markers] == [
        ("done", ""), ("unconfirmed", "closed"), ("refused", "overlap")
    ]


def test_a_late_answer_clears_the_reason(path):
    data = lines(path, HEADER, sent(1), {"unconfirmed": 1, "why": "no answer"},
                 done(1) | {"cut": 5, "delay": 6})
    (marker,) = data.markers
    assert (marker.fate, marker.why, marker.cut_us, marker.delay_us) == ("done", "", 5, 6)


def test_numbers_of_a_new_part_are_new_markers(path):
    data = lines(path, HEADER, sent(1), HEADER, done(1, box=99), sent(1, code=6), done(1, box=50))
    first, second = data.markers
    assert (first.code, first.fate, first.box_us) == (5, "unconfirmed", None)
    assert (second.code, second.fate, second.box_us) == (6, "done", 50)


def test_parts_and_sessions(path):
    data = lines(
        path, HEADER, sent(1), {"restart": "power", "host": 5}, done(1), sent(2),
        {"restart": "watchdog", "host": 6}, HEADER, sent(1),
    )
    assert data.restarts == ["power", "watchdog"]
    assert data.sessions == [0, 0, 0, 1]
    # The first was answered after the restart: its box time is of the new count.
    assert [(m.part, m.session) for m in data.markers] == [(1, 0), (1, 0), (3, 1)]
    assert "The box restarted twice during the log." in data.notes()


def test_holds_and_missing_bytes_and_late_ones(path):
    data = lines(
        path, HEADER, sent(1), {"late": 1, "most": 4000},
        {"hold_ended": 5, "box": 30, "host": 40, "error": 1}, sent(2),
        {"missing": 3, "why": "too fast.", "host": 50},
    )
    assert [m.late_us for m in data.markers] == [4000, None]
    (hold,) = data.holds_ended
    assert (hold.code, hold.box_us, hold.host_us, hold.part, hold.at) == (5, 30, 40, 0, 1)
    assert data.missing == [Missing(3, "too fast.", 0)]
    assert any("3 bytes; too fast." in note for note in data.notes())


def test_a_hold_that_ended_is_written_with_both_times(path):
    with MarkerLog(path) as log:
        log.hold_ended(9, 10, 20, 3)
    assert records(path)[1] == {"hold_ended": 9, "box": 10, "host": 20, "error": 3}


def test_codes_have_the_names_of_their_own_part(path):
    first = HEADER | {"plan": {"events": {"5": "horn"}}}
    second = HEADER | {"plan": {"events": {"5": "ferry left"}}}
    data = lines(path, first, sent(1), second, sent(1), HEADER, sent(1))
    assert [marker.name for marker in data.markers] == ["horn", "ferry left", None]
    assert data.header == first
    assert data.headers == [first, second, HEADER]


def test_lines_that_can_t_be_read_are_told_by_their_number(path):
    lines(path, HEADER, sent(1))
    with path.open("a") as file:
        file.write("no JSON\n")
        file.write(json.dumps(sent(2)) + "\n")
        file.write('{"end": 3}\n')
    data = markerlog.read(path)
    assert data.bad_lines == [3]
    assert [marker.number for marker in data.markers] == [1, 2]
    assert data.notes() == ["1 line of the log can't be read (line 3)."]


def test_an_empty_file_gets_no_empty_line(path):
    path.touch()
    with MarkerLog(path, append=True):
        pass
    assert path.read_bytes().startswith(b'{"marker_log":')
