"""A result as a file: what is read back is what was put in, and what holds not long is not kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from tallymark.study import result_columns, result_file
from tallymark.study.one_recording import Result, Task
from tallymark.study.recording_pair import CheckOptions, Pair
from tallymark.study.result_file import Checked, check_to_file, encoded
from tallymark.study.result_store import ResultStore

TASK = Task(Pair("a", None, None), CheckOptions(), "1")
ROW: dict[str, Any] = {"status": "checked", "missed": 2, "jitter_us": 285.25}
EVENTS = ("onset\tduration\n1.5\tn/a\n", '{"onset": {}}')


def markers(count: int) -> pa.Table:
    schema = result_columns.schema(result_columns.MARKERS)
    rows = [{"recording": "", "number": number, "event": "ferry in sight", "code": number % 256,
             "fate": "arrived", "box_us": 1.5 * number, "residual_us": None}
            for number in range(count)]
    return pa.Table.from_pylist(rows, schema)


@pytest.mark.parametrize("count", [0, 1, 3_000])
def test_it_is_read_back_as_it_was(tmp_path: Path, count: int) -> None:
    store = ResultStore(tmp_path / "results")
    table = markers(count)
    store.put(Checked("k", ROW, encoded(Result("k", ROW, table, EVENTS))))
    assert "k" in store
    assert store.row("k") == ROW
    assert store.markers("k").equals(table)
    assert store.events("k") == EVENTS
    assert [path.name for path in (tmp_path / "results").iterdir()] == ["k.parquet"]


def test_of_a_recording_that_could_not_be_checked_there_is_a_row_only(tmp_path: Path) -> None:
    store = ResultStore(tmp_path / "results")
    store.put(Checked("k", ROW, encoded(Result("k", ROW))))
    assert (store.row("k"), store.events("k"), len(store.markers("k"))) == (ROW, None, 0)


@pytest.mark.parametrize(
    ("result", "kept"),
    [(Result("k", ROW), True), (Result("k", ROW, keep=False), False), (Result("", ROW), False)],
)
def test_what_is_to_be_checked_again_has_no_file(
    monkeypatch: pytest.MonkeyPatch, result: Result, kept: bool
) -> None:
    monkeypatch.setattr(result_file, "check_recording", lambda _: result)
    checked = check_to_file(TASK)
    assert (bool(checked.file), checked.row) == (kept, ROW)
