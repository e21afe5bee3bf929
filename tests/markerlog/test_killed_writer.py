"""The marker log survives a kill at any instant and joins to one entry a marker."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from tallymark import markerlog
from tallymark.markerlog import LoggedMarker, MarkerLog, MarkerLogError

pytestmark = pytest.mark.logs_by_hand


def write_some(path: Path) -> bytes:
    with MarkerLog(path, box={"serial": "A1"}, plan={"name": "Ferry", "digest": "00"}) as log:
        log.sent(1, 5, 8000, "ferry lands")
        log.answered(1, 1_000_000, 51_000_000, 120, cut_us=700, delay_us=20)
        log.sent(2, 7)
        log.unconfirmed(2, "no answer within 0.5 s")
        log.sent(3, 9, 10)
        log.refused(3, "a sequence is playing")
        log.byte_marker(
            LoggedMarker(
                -1, 11, 5000, box_us=2_000_000, host_us=52_000_000, error_us=130, fate="done"
            )
        )
    return path.read_bytes()


def test_records_join_to_one_entry_a_marker(tmp_path: Path) -> None:
    write_some(tmp_path / "log.jsonl")
    data = markerlog.read(tmp_path / "log.jsonl")
    assert data.header["box"] == {"serial": "A1"}
    assert data.ended
    assert not data.torn
    assert data.notes() == []
    first, second, third, byte = data.markers
    assert (first.name, first.code, first.width_us) == ("ferry lands", 5, 8000)
    assert (first.fate, first.box_us, first.host_us) == ("done", 1_000_000, 51_000_000)
    assert (first.error_us, first.cut_us, first.delay_us) == (120, 700, 20)
    assert (second.fate, second.width_us, second.why) == (
        "unconfirmed",
        None,
        "no answer within 0.5 s",
    )
    assert third.fate == "refused"
    assert (byte.source, byte.code, byte.box_us, byte.width_us) == ("byte", 11, 2_000_000, 5000)


def test_cut_after_every_byte_loses_only_the_torn_line(tmp_path: Path) -> None:
    whole = write_some(tmp_path / "whole.jsonl")
    header_end = whole.index(b"\n") + 1
    cut = tmp_path / "cut.jsonl"
    for length in range(header_end, len(whole)):
        cut.write_bytes(whole[:length])
        data = markerlog.read(cut)
        kept = whole[:length].count(b'{"sent"') + whole[:length].count(b'{"byte"')
        torn = not whole[: length + 1].endswith(b"\n") and not whole[:length].endswith(b"\n")
        last = whole[:length].rpartition(b"\n")[2]
        assert data.torn == torn
        assert len(data.markers) == kept - (torn and last.startswith((b'{"sent"', b'{"byte"')))
        assert bool(data.notes()) == (length < len(whole) - 1)


def test_appending_after_a_torn_line_keeps_it_to_itself(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    whole = write_some(path)
    path.write_bytes(whole[:-10])
    with MarkerLog(path, append=True) as log:
        log.sent(1, 77)
        log.answered(1, 5, 6, 7)
    data = markerlog.read(path)
    assert [marker.code for marker in data.markers] == [5, 7, 9, 11, 77]
    assert [marker.part for marker in data.markers] == [0, 0, 0, 0, 1]
    assert data.bad_lines == [9]
    assert data.ended


def test_nothing_is_missing_between_parts_that_were_closed(tmp_path: Path) -> None:
    path = tmp_path / "parts.jsonl"
    for part in range(3):
        with MarkerLog(path, append=part > 0) as log:
            log.sent(1, 5)
    assert markerlog.read(path).holes == []
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:5] + lines[6:]))  # the second one has no end
    (hole,) = markerlog.read(path).holes
    assert (hole.since_us, hole.until_us) == tuple(json.loads(lines[n])["host"] for n in (4, 6))


def test_a_killed_writer_leaves_every_marker_that_it_counted(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    program = (
        "import sys; from tallymark.markerlog import MarkerLog\n"
        "log = MarkerLog(sys.argv[1])\n"
        "n = 0\n"
        "while True:\n"
        "    n += 1; log.sent(n, n & 255, 10, 'ferry')\n"
        "    sys.stdout.write(f'{n}\\n'); sys.stdout.flush()\n"
    )
    process = subprocess.Popen([sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE)
    assert process.stdout is not None
    for _ in range(20):  # a busy computer takes its time to start
        process.stdout.readline()
    time.sleep(0.2)
    process.send_signal(signal.SIGKILL)
    output = process.communicate()[0]
    counted = int(output.split(b"\n")[-2])
    data = markerlog.read(path)
    assert counted > 10
    assert len(data.markers) >= counted
    assert [marker.number for marker in data.markers] == list(range(1, len(data.markers) + 1))
    assert not data.ended


def test_threads_do_not_tear_each_others_lines(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    with MarkerLog(path) as log:

        def send(first: int) -> None:
            for number in range(first, first + 500):
                log.sent(number, number & 255, name="boat appears")

        threads = [threading.Thread(target=send, args=(n * 500,)) for n in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    data = markerlog.read(path)
    assert data.bad_lines == []
    assert sorted(marker.number for marker in data.markers) == list(range(4000))


def test_errors_say_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    write_some(path)
    with pytest.raises(MarkerLogError, match="never overwritten"):
        MarkerLog(path)
    with pytest.raises(MarkerLogError, match="can't be opened"):
        markerlog.read(tmp_path / "none.jsonl")
    path.write_text("time,code\n1,2\n")
    with pytest.raises(MarkerLogError, match="is not a marker log"):
        markerlog.read(path)
    path.write_text(json.dumps({"marker_log": 99}) + "\n")
    with pytest.raises(MarkerLogError, match="format version 99"):
        markerlog.read(path)


def test_late_answer_overrides_unconfirmed(tmp_path: Path) -> None:
    with MarkerLog(tmp_path / "log.jsonl") as log:
        log.sent(1, 5)
        log.unconfirmed(1, "no answer yet")
        log.answered(1, 10, 20, 30)
        log.restarted("watchdog")
        log.sent(2, 6)
    data = markerlog.read(tmp_path / "log.jsonl")
    assert data.markers[0].fate == "done"
    assert [marker.part for marker in data.markers] == [0, 1]
    assert data.restarts == ["watchdog"]


def test_a_log_that_was_deleted_is_told_at_its_end(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    log = MarkerLog(path)
    path.unlink()
    with pytest.raises(MarkerLogError, match="was deleted while it was written"):
        log.close()
    log.close()


def test_a_disk_that_tells_only_at_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    log = MarkerLog(tmp_path / "log.jsonl")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(MarkerLogError, match="may not be on the disk"):
        log.close()


@pytest.mark.skipif(os.name != "posix", reason="elsewhere it is no file")
def test_a_device_as_a_log() -> None:
    MarkerLog(os.devnull, append=True).close()


@pytest.mark.parametrize(
    "record",
    ["sent", "done", "unconfirmed", "refused", "byte", "lines", "late", "hold_ended", "missing"],
)
def test_a_damaged_line_that_still_is_json(tmp_path: Path, record: str) -> None:
    path = tmp_path / "log.jsonl"
    with MarkerLog(path) as log:
        log.sent(1, 5, 5_000)
        log.answered(1, 10, 20, 3)
    begin, sent, rest = path.read_bytes().split(b"\n", 2)
    path.write_bytes(b"\n".join((begin, sent, f'{{"{record}":1}}'.encode(), rest)))
    data = markerlog.read(path)
    assert data.bad_lines == [3]
    assert [(marker.code, marker.fate) for marker in data.markers] == [(5, "done")]
