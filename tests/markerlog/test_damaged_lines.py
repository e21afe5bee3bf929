"""One odd line costs that line: whatever a line of a log holds, the rest is read as before, the
line is named, and nothing that uses a log ends in a traceback."""

from __future__ import annotations

import contextlib
import json
import tempfile
from pathlib import Path
from typing import Any

import pytest
from damaged_values import ANY, values_near
from hypothesis import given, settings
from hypothesis import strategies as st
from test_log_format import OTHERS, WHOLE

from tallymark import TallymarkError, markerlog
from tallymark import plan as plans
from tallymark.markerlog.marker_durations import durations
from tallymark.markerlog.record_checks import is_sound
from tallymark.monitor import compare_log
from tallymark.monitor.log_statistics import log_statistics, rows
from tallymark.recording import bids
from tallymark.recording.event_hints_from_log import design_of
from tallymark.recording.sent_markers import columns
from tallymark.recording.stated_expectations import idle_of

pytestmark = pytest.mark.logs_by_hand
RECORDS = [*WHOLE[:-1], *OTHERS[1:], WHOLE[-1]]
FERRY = plans.from_mapping(
    {"name": "Ferry", "event": [{"name": "horn", "code": 36, "width_us": 5_000}]}
)


def use(data: markerlog.LogData, folder: Path) -> None:
    """Everything that is made of a log. Errors in words are right; anything else is a fault."""
    data.notes()
    durations(data)
    rows(data)
    json.dumps(log_statistics(data))
    idle_of(data, None)
    design_of(data)
    compare_log(FERRY, data).as_data()
    with contextlib.suppress(TallymarkError):
        columns(data)
    with contextlib.suppress(TallymarkError):
        bids.write_log(data, folder / "events.tsv")


def written(folder: Path, lines: list[bytes]) -> Path:
    path = folder / "log.jsonl"
    path.write_bytes(b"".join(line + b"\n" for line in lines))
    return path


def encoded(record: Any) -> bytes:
    return json.dumps(record).encode()


@settings(max_examples=300, deadline=None)
@given(at=st.integers(0, len(RECORDS) - 1), data=st.data())
def test_a_line_with_other_values(at: int, data: st.DataObject) -> None:
    record = dict(RECORDS[at])
    for key in data.draw(st.lists(st.sampled_from(sorted(record)), min_size=1, max_size=3)):
        record[key] = data.draw(values_near(record[key]))
    if data.draw(st.booleans()):
        more = data.draw(st.sampled_from(["sent", "done", "end", "lost", "later"]))
        record[more] = data.draw(ANY)
    lines = [encoded(each) for each in RECORDS]
    lines[at] = encoded(record)
    with tempfile.TemporaryDirectory() as folder:
        path = written(Path(folder), lines)
        try:
            found = markerlog.read(path)
        except markerlog.MarkerLogError:
            assert at == 0  # the only header
            return
        assert found.bad_lines == ([] if is_sound(record) else [at + 1])
        use(found, Path(folder))


@settings(max_examples=300, deadline=None)
@given(
    at=st.integers(1, len(RECORDS)),
    line=st.one_of(
        st.binary(max_size=60).filter(lambda line: b"\n" not in line),
        ANY.map(encoded),
        st.dictionaries(
            st.sampled_from(["sent", "done", "marker_log", "lost", "later", "box", "signed"]), ANY
        ).map(encoded),
        st.tuples(st.sampled_from(RECORDS), st.integers(1, 99)).map(
            lambda cut: encoded(cut[0])[: cut[1]]
        ),
    ),
)
def test_a_line_of_anything(at: int, line: bytes) -> None:
    lines = [encoded(each) for each in RECORDS]
    lines.insert(at, line)
    with tempfile.TemporaryDirectory() as folder:
        found = markerlog.read(written(Path(folder), lines))
        assert found.bad_lines in ([], [at + 1]) or line.startswith(b'{"marker_log"')
        use(found, Path(folder))


def test_a_part_of_a_later_version_costs_that_part(tmp_path: Path) -> None:
    sent = {"sent": 1, "code": 5, "host": 1}
    later = {"marker_log": 2, "host": "noon"}
    path = written(tmp_path, [encoded(each) for each in (WHOLE[0], sent, later, sent, WHOLE[0])])
    found = markerlog.read(path)
    assert found.bad_lines == [3, 4]
    assert len(found.markers) == 1
    assert len(found.headers) == 2


def test_numbers_that_begin_again_after_a_header_that_can_not_be_read(tmp_path: Path) -> None:
    sent = {"sent": 1, "code": 5, "host": 1}
    done = {"done": 1, "box": 7, "host": 2, "error": 3}
    lines = [encoded(each) for each in (WHOLE[0], sent, done, WHOLE[0], sent, done | {"box": 900})]
    lines[3] = lines[3][:50]
    found = markerlog.read(written(tmp_path, lines))
    assert found.bad_lines == [4]
    assert [(marker.box_us, marker.part) for marker in found.markers] == [(7, 0), (900, 1)]
