"""Lines of a marker log that hold something else than they should count as damaged, and no more."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tallymark import markerlog
from tallymark.markerlog import MarkerLogError

pytestmark = pytest.mark.logs_by_hand

HEADER: dict[str, Any] = {"marker_log": 1, "start": "x", "host": 0, "box": {}, "settings": {}}
SENT = {"sent": 1, "code": 5, "width": 5000, "name": "boat", "host": 10}
DONE = {"done": 1, "box": 12, "host": 11, "error": 2}


def read(tmp_path: Path, *records: Any) -> markerlog.LogData:
    path = tmp_path / "log.jsonl"
    path.write_text("".join(json.dumps(record) + "\n" for record in records))
    return markerlog.read(path)


def test_sound_lines(tmp_path: Path) -> None:
    data = read(tmp_path, HEADER, SENT, DONE, {"unknown": 1}, {"end": 20})
    assert data.bad_lines == []
    assert [(m.code, m.fate, m.box_us) for m in data.markers] == [(5, "done", 12)]


@pytest.mark.parametrize(
    "change",
    [
        {"code": 256},
        {"code": -1},
        {"code": "5"},
        {"code": True},
        {"sent": None},
        {"sent": [1]},
        {"host": 1.5},
        {"host": 1 << 70},
        {"width": "long"},
        {"name": 7},
        {"stays": "yes"},
    ],
)
def test_a_marker_that_cannot_be_meant(tmp_path: Path, change: dict[str, Any]) -> None:
    data = read(tmp_path, HEADER, SENT | change, SENT | {"sent": 2}, DONE | {"done": 2})
    assert data.bad_lines == [2]
    assert [m.number for m in data.markers] == [2]
    assert "1 line of the log can't be read (line 2)" in " ".join(data.notes())


@pytest.mark.parametrize("change", [{"box": None}, {"box": "x"}, {"error": {}}, {"cut": "x"}])
def test_an_answer_that_cannot_be_meant(tmp_path: Path, change: dict[str, Any]) -> None:
    data = read(tmp_path, HEADER, SENT, DONE | change)
    assert data.bad_lines == [3]
    assert data.markers[0].fate == "unconfirmed"


def test_lines_before_the_header_belong_to_no_log(tmp_path: Path) -> None:
    data = read(tmp_path, SENT, HEADER, SENT | {"sent": 2})
    assert data.bad_lines == [1]
    assert [m.number for m in data.markers] == [2]
    for bad in ({"plan": []}, {"plan": {"events": {"5": 7}}}, {"box": "x"}):
        with pytest.raises(MarkerLogError, match="the header, is damaged"):
            read(tmp_path, HEADER | bad, SENT)


def test_a_line_that_lacks_something(tmp_path: Path) -> None:
    whole = {"byte": 5, "host": 10, "error": None}
    assert read(tmp_path, HEADER, whole).bad_lines == []
    for key in ("host", "error"):
        line = {name: value for name, value in whole.items() if name != key}
        assert read(tmp_path, HEADER, line).bad_lines == [2]


def test_deep_brackets_and_long_numbers(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    lines = [json.dumps(HEADER), "[" * 100_000, '{"end":' + "9" * 10_000 + "}", json.dumps(SENT)]
    path.write_text("\n".join(lines) + "\n")
    data = markerlog.read(path)
    assert data.bad_lines == [2, 3]
    assert len(data.markers) == 1
