"""protocol/MARKERLOG.md, its schema, the writer and the reader's checks say the same."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import log_schema
import pytest
from damaged_values import values_near
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymark import Box, Settings, markerlog
from tallymark.common.signature import Form
from tallymark.markerlog import LoggedMarker, LoggedProbeEdge, MarkerLog, record_checks

PAGE = (log_schema.SCHEMA.parent / "MARKERLOG.md").read_text(encoding="utf-8")
WHOLE, OTHERS = (
    [json.loads(line) for line in block.splitlines()]
    for block in re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)
)
EARLY = {
    "marker_log": ("start", "host", "box", "settings", "plan"),
    "missing": ("host",),
    "notices_lost": ("host",),
    "restart": ("host",),
    "hold_ended": ("error",),
}
"""Keys that early logs lack, and that a reader does not ask for."""


def kind(record: dict[str, Any]) -> str:
    return next(iter(record))


def test_the_examples_are_valid_and_cover_every_kind() -> None:
    for record in WHOLE + OTHERS:
        log_schema.validator().validate(record)
        assert record_checks.is_sound(record)
    schema = log_schema.validator().schema
    kinds = [one["$ref"].rpartition("record_")[2] for one in schema["oneOf"]]
    assert {kind(record) for record in WHOLE + OTHERS} == set(kinds)


def test_page_schema_and_reader_know_the_same_kinds_and_keys() -> None:
    rows: dict[str, set[str]] = {}
    for name, keys in re.findall(r"^\| `(\w+)` \| (.*?) \| .*\|$", PAGE, re.MULTILINE):
        rows[name] = set(re.findall(r"`(\w+)`", keys)) - {"sent", "restart"} | {name}
    definitions = log_schema.validator().schema["$defs"]
    schema = {
        name.removeprefix("record_"): set(value["properties"])
        for name, value in definitions.items()
        if name.startswith("record_")
    }
    reader = {name: {*must, *may} for name, (must, may) in record_checks._RECORDS.items()}
    assert rows == schema
    assert reader == schema


def test_the_example_reads_as_the_page_says(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    path.write_bytes(re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)[0].encode())
    data = markerlog.read(path)
    assert data.bad_lines == []
    assert data.ended
    assert [(m.number, m.code, m.fate, m.part) for m in data.markers] == [
        (1, 36, "done", 0), (2, 3, "done", 0), (3, 3, "done", 0), (4, 0, "done", 0),
        (11, 36, "done", 0), (12, 9, "refused", 0), (13, 9, "unconfirmed", 1),
    ]
    assert data.markers[2].no_edge
    assert data.signatures[0].fate == "done"
    assert [(one.count, one.why) for one in data.lost] == [(12, "No space left on device")]
    notes = " ".join(data.notes())
    assert "12 records are missing in the log from 0:00:05.500 to 0:00:14.499" in notes


def test_a_file_of_the_examples_of_other_programs(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    sent = {"sent": 14, "code": 5, "host": 0}
    lines = [json.dumps(each) for each in (WHOLE[0], sent, *OTHERS)]
    path.write_text("\n".join(lines) + "\n")
    data = markerlog.read(path)
    assert data.bad_lines == []
    assert [(m.code, m.source, m.fate) for m in data.markers] == [
        (5, "host", "unconfirmed"), (36, "host", "unconfirmed"), (9, "byte", "done"),
        (17, "byte", "refused"), (36, "lines", "done"),
    ]
    assert [(m.code, m.fate) for m in data.markers if m.test] == [(36, "unconfirmed")]
    assert data.markers[0].late_us == 4300


def test_edges_of_probes_are_read_with_what_was_lost_before(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    with Box.open("virtual://?time=stepped") as box, MarkerLog.for_box(path, box) as log:
        log.probe_edge("light", True, 5, None, None)
        log.probe_edges_lost(3)
        log.restarted("power")
        log.probe_edge("sound", False, 6, 7, 8)
        log.probe_edge("ttl", True, 9, 10, 11)
    data = markerlog.read(path)
    assert data.probe_edges == [
        LoggedProbeEdge("light", True, 5, None, None, 0, 0),
        LoggedProbeEdge("sound", False, 6, 7, 8, 1, 0, lost=3),
        LoggedProbeEdge("ttl", True, 9, 10, 11, 1, 0),
    ]
    assert data.probe_edges_lost == 3
    assert "3 edges of probes had no room in the box" in " ".join(data.notes())


def test_every_record_of_the_writer(tmp_path: Path) -> None:
    """All that it can write, with and without what may be left out."""
    path = tmp_path / "log.jsonl"
    with Box.open("virtual://?time=stepped") as box, MarkerLog.for_box(path, box) as log:
        box.log = None
        log.next_part(box, Settings())
        log.sent(1, 5)
        log.sent(2, 5, 700, "horn\n\udc80", 10, False)
        log.sent(3, 5, stays=True)
        log.sent(4, 5, stays=False)
        log.sent(5, 5, 700, "horn", 10, False, test=True)
        log.scheduled(1, 2, 3, 4)
        log.answered(1, 2, 3, 4)
        log.answered(1, 2, 3, 4, 5, 6, True)
        log.unconfirmed(1, "no answer \udc80 é")
        log.refused(1, "overlap")
        log.refused(1, "cancelled", 7)
        log.byte_marker(LoggedMarker(-1, 9, error_us=0, fate="refused", why="gone"))
        log.byte_marker(LoggedMarker(-1, 9, 5, None, None, 1, 2, 3, "done", "", 4, 5, no_edge=True))
        log.byte_marker(LoggedMarker(-1, 9, box_us=1, fate="done", stays=True))
        log.line_marker(LoggedMarker(-1, 9, box_us=1, host_us=2, error_us=3))
        log.late(1, 2)
        log.hold_ended(1, 2, None, None)
        log.missing(1, "too fast.")
        log.notices_lost(2)
        log.probe_edge("light", True, 5, None, None)
        log.probe_edges_lost(3)
        log.probe_edge("ttl", False, 6, 7, 8)
        log.note("A sentence.")
        log.restarted("power")
        log.signature(1, 0x79A38, Form(255, 8_000), 5)
        log.signed(1, 2, 3, 4)
        log.signature_cut(1, 0)
        log.signature_failed(1, "gone", unknown=True)
    for line in path.read_bytes().splitlines():
        log_schema.validator().validate(json.loads(line))
    data = markerlog.read(path)
    assert data.bad_lines == []
    assert {kind(json.loads(line)) for line in path.read_bytes().splitlines()} == (
        {kind(record) for record in WHOLE + OTHERS} - {"lost"}
    )


@pytest.fixture(scope="module")
def readers_schema() -> Any:
    """The schema of what a reader takes: early logs lack some keys."""
    from jsonschema import Draft202012Validator

    schema = copy.deepcopy(log_schema.validator().schema)
    for name, keys in EARLY.items():
        required = schema["$defs"][f"record_{name}"]["required"]
        schema["$defs"][f"record_{name}"]["required"] = [k for k in required if k not in keys]
    return Draft202012Validator(schema)


@settings(max_examples=250)
@given(record=st.sampled_from(WHOLE + OTHERS), data=st.data())
def test_the_reader_takes_exactly_what_the_schema_allows(
    readers_schema: Any, record: dict[str, Any], data: st.DataObject
) -> None:
    """Records with values changed, and keys left out or added."""
    allowed = readers_schema.schema["$defs"][f"record_{kind(record)}"]["properties"]
    changed = dict(record)
    for _ in range(data.draw(st.integers(1, 2))):
        key = data.draw(st.sampled_from(sorted({*record, *allowed} - {"again"})))
        if data.draw(st.booleans()) and key in changed and key != kind(record):
            del changed[key]
        else:
            changed[key] = data.draw(values_near(record.get(key)))
    if kind(record) == "marker_log" and changed["marker_log"] != 1:
        return  # of another version nothing is known
    assert record_checks.is_sound(changed) == readers_schema.is_valid(changed), changed


@pytest.mark.logs_by_hand
def test_logs_in_a_folder_are_held_against_the_schema(tmp_path: Path) -> None:
    """As the tests of commands do it: each record, but neither what is torn nor other files."""
    bad = '{"sent":1,"code":999,"host":5}'
    header = json.dumps(WHOLE[0], separators=(",", ":"))
    lines = [header, json.dumps(WHOLE[3]), bad, '{"sent":2,"co']
    (tmp_path / "session").mkdir()
    (tmp_path / "session" / "log.jsonl").write_bytes("\n".join(lines).encode())
    (tmp_path / "other.jsonl").write_text('{"sent":1}\n')
    log_schema.check_files(tmp_path)
    assert log_schema.problems == [bad]
    log_schema.problems.clear()
