"""Markers go on when the log can't be written, and the log's gap is told, on a disk that is full
and then free again."""

from __future__ import annotations

import errno
import logging
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tallymark import Box, MarkerLogIncomplete, markerlog
from tallymark.markerlog import MarkerLog

if os.name != "posix":
    pytest.skip("limits of file sizes are of POSIX", allow_module_level=True)

from full_disk import FREE, records

STEPPED = "virtual://?time=stepped"

PROGRAM = f"""
import json, os, resource, sys
from tallymark import Box, MarkerLogIncomplete
from tallymark.markerlog import MarkerLog

path, room = sys.argv[1], int(sys.argv[2])
with Box.open("virtual://?time=stepped") as box:
    log = MarkerLog.for_box(path, box)
    def send(count):
        for code in range(1, count + 1):
            assert box.pulse(code, 1000).wait().outcome.value == "done"
            box.pacing.sleep(0.01)
    send(20)
    size = os.path.getsize(path) + room
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, {FREE}))
    send(30)
    resource.setrlimit(resource.RLIMIT_FSIZE, ({FREE}, {FREE}))
    send(20)
    try:
        log.close()
    except MarkerLogIncomplete as error:
        print(error.lost, error)
"""


@pytest.mark.parametrize("room", [0, 1, 30, 65, 66, 67, 400])
def test_a_program_on_a_disk_that_was_full_for_a_while(tmp_path: Path, room: int) -> None:
    path = tmp_path / "log.jsonl"
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(path), str(room)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    lost, told = done.stdout.split(" ", 1)
    found = records(path)
    (gap,) = [record for record in found if "lost" in record]
    assert gap["lost"] == int(lost)
    whole = [record for record in found if "sent" in record or "done" in record]
    assert len(whole) + gap["lost"] == 2 * 70  # two records a marker
    assert sum("cut" in record for record in found) <= 1
    assert "end" in found[-1]
    assert 0 < gap["since"] <= gap["host"]
    for said in (done.stderr, told):
        assert str(path) in said
        assert "the recording" in said
    assert "can't be written" in done.stderr
    assert "can be written again" in done.stderr
    assert f"{lost} records" in told
    data = markerlog.read(path)
    assert [one.count for one in data.lost] == [int(lost)]
    assert len(data.bad_lines) == sum("cut" in record for record in found)
    assert any(f"{lost} records are missing in the log from 0:00:" in note for note in data.notes())


def test_a_log_that_can_not_be_begun_sends_nothing(tmp_path: Path) -> None:
    """And leaves no file behind that would stand in the way of the next try."""
    path = tmp_path / "log.jsonl"
    program = (
        "import resource, sys; from tallymark.markerlog import MarkerLog\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (50, 50))\n"
        "MarkerLog(sys.argv[1])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, text=True
    )
    assert "MarkerLogError" in done.stderr
    assert "Nothing was sent" in done.stderr
    assert not path.exists()


@pytest.fixture
def full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A log, and a switch that fills its disk."""
    log = MarkerLog(tmp_path / "log.jsonl")
    is_full: list[bool] = []
    write = os.write

    def written(descriptor: int, data: bytes) -> int:
        if is_full and descriptor == log._descriptor:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(descriptor, data)

    monkeypatch.setattr(os, "write", written)
    return log, is_full


def test_a_start_of_the_box_that_was_lost_still_begins_a_new_part(full) -> None:
    log, is_full = full
    log.tell = lambda _text: None
    log.sent(1, 5)
    log.answered(1, 1_000_000, 10, 3)
    is_full.append(True)
    log.note("A sentence before it")
    log.restarted("power")
    log.note("and one behind it.")
    is_full.clear()
    log.sent(2, 6)
    log.answered(2, 500, 20, 3)
    with pytest.raises(MarkerLogIncomplete):
        log.close()
    data = markerlog.read(log.path)
    assert [marker.part for marker in data.markers] == [0, 1]
    assert data.sessions == [0, 0]


def test_an_answer_that_was_lost_is_no_answer_that_never_came(full) -> None:
    log, is_full = full
    log.tell = lambda _text: None
    log.sent(1, 5)
    is_full.append(True)
    log.answered(1, 1_000_000, 10, 3)
    is_full.clear()
    log.sent(2, 6)
    log.unconfirmed(2, "no answer")
    with pytest.raises(MarkerLogIncomplete):
        log.close()
    first, second = markerlog.read(log.path).markers
    assert (first.fate, first.why) == ("unconfirmed", markerlog.reader.ANSWER_LOST)
    assert (second.fate, second.why) == ("unconfirmed", "no answer")


def test_what_is_told_and_when(full) -> None:
    log, is_full = full
    told: list[str] = []
    log.tell = told.append
    is_full.append(True)
    log.sent(1, 5)
    assert len(told) == 1
    log.sent(2, 5)
    assert len(told) == 1
    is_full.clear()
    log.sent(3, 5)
    assert len(told) == 2
    assert "2 records are missing" in told[1]
    is_full.append(True)
    log.sent(4, 5)
    assert log.lost == 3
    with pytest.raises(MarkerLogIncomplete, match="4 records could not be written") as caught:
        log.close()
    assert "could not tell of them all" in str(caught.value)
    assert isinstance(caught.value, OSError)
    log.close()
    log.sent(5, 5)
    assert "is closed" in told[-1]


def test_what_is_called_with_the_news_may_fail_itself(full, caplog) -> None:
    """A marker does not stop for it, and the news is in the program's own log."""
    log, is_full = full

    def fails(_text: str) -> None:
        raise RuntimeError("a window that is closed")

    log.tell = fails
    is_full.append(True)
    with caplog.at_level(logging.ERROR, "tallymark"):
        log.sent(1, 5)
    assert "can't be written" in caplog.messages[0]
    is_full.clear()
    with pytest.raises(MarkerLogIncomplete):
        log.close()


def test_an_error_of_the_session_is_not_hidden_by_that_of_the_log(full, caplog) -> None:
    log, is_full = full

    def session() -> None:
        with log:
            is_full.append(True)
            log.sent(1, 5)
            raise KeyError("stimulus")

    with caplog.at_level(logging.ERROR, "tallymark"), pytest.raises(KeyError):
        session()
    assert "can't be written" in caplog.messages[0]
    assert "is incomplete" in caplog.messages[1]


def test_no_log_stops_a_marker_whatever_it_raises() -> None:
    class Broken:
        def __getattr__(self, name: str) -> object:
            raise RuntimeError("a log of somebody else")

    with Box.open(STEPPED, log=Broken()) as box:  # type: ignore[arg-type]
        assert box.pulse(5).wait().outcome.value == "done"
        assert box.counters().markers == 1


def test_a_new_part_whose_header_can_not_be_written_yet(full) -> None:
    """The box is back while the disk is full: the header goes in before what comes later."""
    log, is_full = full
    log.tell = lambda _text: None
    with Box.open(STEPPED) as box:
        settings = box.settings.read()
        log.sent(1, 5)
        is_full.append(True)
        log.next_part(box, settings)
        log.sent(1, 6)
        is_full.clear()
        log.sent(2, 7)
        with pytest.raises(MarkerLogIncomplete, match="2 records"):
            log.close()
    data = markerlog.read(log.path)
    assert [(marker.code, marker.session) for marker in data.markers] == [(5, 0), (7, 1)]
    assert data.headers[1]["again"] is True
    assert [(one.count, one.session) for one in data.lost] == [(2, 1)]
    assert data.bad_lines == []


def test_a_record_that_lacks_its_line_end_alone_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is whole in the file as soon as the line end of it comes, before the next one."""
    log = MarkerLog(tmp_path / "log.jsonl")
    told: list[str] = []
    log.tell = told.append
    write = os.write
    with monkeypatch.context() as short:
        short.setattr(os, "write", lambda descriptor, data: write(descriptor, data[:-1]))
        log.sent(1, 5)
    log.sent(2, 6)
    log.close()
    assert told == []
    data = markerlog.read(log.path)
    assert [marker.code for marker in data.markers] == [5, 6]
    assert (data.bad_lines, data.lost) == ([], [])


def test_a_line_feed_alone_ends_half_a_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk has room for one byte more, which is the line feed in front of the next record."""
    log = MarkerLog(tmp_path / "log.jsonl")
    log.tell = lambda _text: None
    write = os.write
    with monkeypatch.context() as short:
        short.setattr(os, "write", lambda descriptor, data: write(descriptor, data[:9]))
        log.sent(1, 5)
        short.setattr(os, "write", lambda descriptor, data: write(descriptor, data[:1]))
        log.sent(2, 6)
    log.sent(3, 7)
    with pytest.raises(MarkerLogIncomplete, match="2 records"):
        log.close()
    data = markerlog.read(log.path)
    assert [marker.code for marker in data.markers] == [7]
    assert [one.count for one in data.lost] == [2]
    assert data.bad_lines == [2]


@pytest.mark.parametrize("kind", ["sent", "done"])
def test_a_program_that_is_killed_after_a_record_that_lacks_its_line_end(
    tmp_path: Path, kind: str
) -> None:
    """The marker is on the lines, so the log has to hold what it was given before."""
    log = MarkerLog(tmp_path / "log.jsonl")
    log.sent(1, 5)
    if kind == "done":
        log.answered(1, 1_000_000, 10, 3)
    os.truncate(log.path, log.path.stat().st_size - 1)
    os.close(log._descriptor)
    data = markerlog.read(log.path)
    assert [(marker.code, marker.fate) for marker in data.markers] == [
        (5, "done" if kind == "done" else "unconfirmed")
    ]
    assert not data.torn
    assert data.notes() == ["The log was not closed: its program was killed or is still running."]
    with MarkerLog(log.path, append=True) as more:
        more.sent(1, 6)
    data = markerlog.read(log.path)
    assert [marker.code for marker in data.markers] == [5, 6]
    assert data.bad_lines == []


@pytest.mark.parametrize(
    "last",
    [
        b'{"sent":2,"code":6,"host":12',
        b'{"sent":2,"code":6,"box":{"a":1}',
        b'{"sent":2,"code":6,"host":12}}',
        b"123",
        b'"sent"',
        b"[1]",
        b"\xff}",
        b"[" * 100_000,
    ],
)
def test_a_last_line_that_is_a_part_of_a_record_is_not_used(tmp_path: Path, last: bytes) -> None:
    path = tmp_path / "log.jsonl"
    with MarkerLog(path) as log:
        log.sent(1, 5)
    path.write_bytes(path.read_bytes() + last)
    data = markerlog.read(path)
    assert data.torn
    assert [marker.code for marker in data.markers] == [5]
    assert data.bad_lines == []
    assert data.notes()[0].startswith("The log's last line is cut off")


def test_a_whole_last_line_without_a_line_end_is_judged_as_any_other(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    with MarkerLog(path) as log:
        log.sent(1, 5)
    path.write_bytes(path.read_bytes() + b'{"sent":2,"code":6,"host":"noon"}')
    data = markerlog.read(path)
    assert (data.torn, data.bad_lines) == (False, [4])


def test_an_end_that_lacks_its_line_end_alone_is_an_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk takes all but the line end, then nothing: the program and the reader agree."""
    log = MarkerLog(tmp_path / "log.jsonl")
    log.sent(1, 5)
    write, taken = os.write, []

    def short(descriptor: int, data: bytes) -> int:
        if taken:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken.append(data)
        return write(descriptor, data[:-1])

    with monkeypatch.context() as full:
        full.setattr(os, "write", short)
        log.close()
    assert not log.path.read_bytes().endswith(b"\n")
    data = markerlog.read(log.path)
    assert data.ended
    assert data.notes() == []
