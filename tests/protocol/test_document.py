"""The document, the C numbers and the construct definitions say the same."""

from __future__ import annotations

import re

import pytest
import specification

from tallymark.box.wire import layouts
from tallymark.box.wire import protocol_enumerations as messages

KINDS = (
    ("4.1 Requests", "request", messages.Request, layouts.REQUESTS),
    ("4.2 Answers", "answer", messages.Answer, layouts.ANSWERS),
    ("4.3 Notices", "notice", messages.Notice, layouts.NOTICES),
)
MESSAGES = [(kind, member) for kind in KINDS for member in kind[2]]


LISTS = {
    messages.Answer.SNIPPET: ("14 + 2 × n", 4, ["14 + 2 k"]),
    messages.Notice.PROBE_EDGES: ("1 + 10 × n", 1, ["1 + 10 k", "9 + 10 k", "10 + 10 k"]),
}
"""Messages with a list at their end: length, fields before it, offsets in it."""


def constant(name: str) -> str:
    return name.upper().replace(" ", "_")


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind[1])
def test_types_have_the_same_numbers_everywhere(kind):
    heading, column, numbers, _ = kind
    document = {
        constant(row[column]): int(row["type"], 16) for row in specification.table(heading, "type")
    }
    assert document == specification.c_numbers(column.upper())
    assert document == {member.name: member.value for member in numbers}


def test_reasons_have_the_same_numbers_everywhere():
    rows = specification.table("4.4 Reasons for a refusal", "reason")
    document = {constant(row["name"]): int(row["reason"]) for row in rows} | {"NONE": 0}
    assert document == specification.c_numbers("REASON")
    assert document == {member.name: member.value for member in messages.Reason}


@pytest.mark.parametrize(
    ("prefix", "numbers"),
    [
        ("FATE", messages.FateOutcome),
        ("SEQUENCE", messages.SequencePhase),
        ("CAPTURE", messages.CaptureMode),
        ("ORIGIN", messages.Origin),
        ("IDLE", messages.Idle),
        ("OVERLAP", messages.Overlap),
        ("BYTES", messages.ByteMode),
        ("TIMED", messages.TimedKind),
        ("SOURCE", messages.EdgeSource),
        ("PROBES", messages.ProbeBit),
        ("CAPABILITY", messages.Capability),
        ("NOTE", messages.Note),
    ],
)
def test_values_have_the_same_numbers_in_c_and_python(prefix, numbers):
    in_c = specification.c_numbers(rf"(?<!REQUEST_)(?<!REASON_)(?<!NOTICE_){prefix}")
    assert in_c == {member.name: member.value for member in numbers}


def test_the_table_of_requests_is_that_of_the_firmware():
    for row in specification.table("4.1 Requests", "request"):
        length, flags = specification.c_rows()[constant(row["request"])]
        assert int(row["body"]) == length, row["request"]
        assert (row["while a sequence plays"] == "yes") == ("PLAYS_ON" in flags), row["request"]
        assert (row["marker"] == "yes") == ("MARKER" in flags), row["request"]
    assert len(specification.c_rows()) == len(messages.Request)


def width_of(cell: str) -> int:
    """Bytes of a field whose type is written `u8`, `u32` or as 16 times `u8`."""
    bits, _, count = cell.removeprefix("u").partition("×")
    return int(bits) // 8 * int(count or 1)


@pytest.mark.parametrize(
    ("kind", "member"), MESSAGES, ids=[f"{kind[1]} {member.label}" for kind, member in MESSAGES]
)
def test_layout(kind, member):
    """Names, offsets and widths of every field; and the length in the table of messages."""
    heading, column, _, layouts = kind
    struct = layouts[member]
    declared = next(
        row["body"]
        for row in specification.table(heading, "type")
        if constant(row[column]) == member.name
    )
    rows = specification.fields(member.label, member)
    assert rows is not None, f"no section describes {member.label}"
    if member.name == "EDGES":
        assert declared == "5 + 10 × n"
        if column == "notice":
            return  # described by the answer of the same name
        assert [(row["offset"], row["field"], row["type"]) for row in rows] == [
            ("0", "first", "u32"),
            ("4", "lost", "u8"),
            ("5 + 10 k", "time", "u64"),
            ("13 + 10 k", "source", "u8"),
            ("14 + 10 k", "levels", "u8"),
        ]
        edge = {"time": 1, "source": 0, "levels": 3}
        assert struct.build({"first": 9, "lost": 2, "edges": [edge]}).hex() == (
            "090000000201000000000000000003"
        )
        return
    if member in LISTS:
        length, fixed, offsets = LISTS[member]
        assert declared == length
        assert [row["offset"] for row in rows[fixed:]] == offsets
        of_entry = struct.subcons[fixed].subcon.subcon  # of the list
        parts = getattr(of_entry, "subcons", [of_entry])
        assert [width_of(row["type"]) for row in rows[fixed:]] == [p.sizeof() for p in parts]
        rows = rows[:fixed]
        assert [row["field"] for row in rows] == [part.name for part in struct.subcons[:fixed]]
        assert sum(width_of(row["type"]) for row in rows) == int(offsets[0].split(" ")[0])
        return
    if member is messages.Request.SETTINGS_WRITE:
        rows = specification.table("5. Settings", "offset")
    expected = 0
    for row, part in zip(rows, struct.subcons, strict=True):
        width = 50 if row["field"] == "record" else width_of(row["type"])
        assert (row["field"], int(row["offset"]), width) == (part.name, expected, part.sizeof())
        expected += width
    assert int(declared) == struct.sizeof() == expected


def test_limits_in_the_text_are_those_of_the_firmware():
    header = (specification.CORE / "messages.h").read_text(encoding="utf-8")
    text = specification.DOCUMENT.read_text(encoding="utf-8").replace(",", "")

    def value(name: str) -> int:
        found = re.search(rf"#define {name} (\d+)", header)
        assert found is not None, name
        return int(found[1])

    rows = specification.table("5. Settings", "offset")
    ranges = {row["field"]: row["range"].replace(",", "") for row in rows}
    assert ranges["gap"] == f"0 to {value('LONGEST_GAP')}"
    assert ranges["hold_limit"] == f"0 or {value('LEAST_HOLD_LIMIT')} to {value('LONGEST_TIME')}"
    assert ranges["byte_baud"] == f"{value('LEAST_BYTE_BAUD')} to {value('HIGHEST_BYTE_BAUD')}"
    assert f"4 to\n{value('FRAME_LONGEST')} bytes before stuffing" in text
    assert f"from 0 to {value('EDGES_IN_FRAME')}" in text
    assert value("FRAME_LONGEST") == messages.FRAME_LONGEST
    assert f"version {value('PROTOCOL_MAJOR')}.{value('PROTOCOL_MINOR')}" in text
    assert value("PROTOCOL_MAJOR") == messages.PROTOCOL_MAJOR


def test_pin_tables_are_those_of_the_firmware():
    """The README's wiring table says what pins.h of both boards says."""
    readme = (specification.ROOT / "README.md").read_text(encoding="utf-8")
    rows = {}
    for line in readme.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 10:
            rows[cells[0]] = cells[1:9]
    boards = specification.ROOT / "firmware" / "boards"
    for board, columns in (("pico", r"\b(GP\d+)"), ("nano", r"\b([DA]\d+)\b")):
        header = (boards / board / "pins.h").read_text(encoding="utf-8")
        for row in ("output", "readback"):
            line = next(line for line in header.splitlines() if f"   {row} " in line)
            assert rows[f"{board.capitalize()}, {row}"] == re.findall(columns, line)[:8]
