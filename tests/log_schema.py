"""Every record that a marker log writes while tests run, against protocol/markerlog.schema.json.

The schema is read by `jsonschema`, which knows nothing of this project. Records of one shape (their
keys, and the types and signs of their values) are validated once, since a test may write a
million."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

SCHEMA = Path(__file__).resolve().parents[1] / "protocol/markerlog.schema.json"

problems: list[str] = []
"""What was found since somebody has looked last."""
_seen: set[tuple[Any, ...]] = set()


@cache
def validator() -> Any:
    """A validator of the schema, which is checked itself first."""
    from jsonschema import Draft202012Validator

    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def check(line: bytes) -> None:
    """A line of a log, or nothing."""
    if not line.strip():
        return
    record = json.loads(line)
    shape = tuple((key, _kind(value)) for key, value in record.items())
    if shape in _seen:
        return
    if not validator().is_valid(record):
        problems.append(line.decode())
    elif not _named_by_its_first_key(record):
        problems.append(f"another key first: {line.decode()}")
    else:
        _seen.add(shape)


def watch() -> None:
    """From now on, checks what every log in this process writes."""
    from tallymark.markerlog.record_file import RecordFile

    put = RecordFile._put

    def checked(self: RecordFile, line: bytes) -> str:
        check(line)
        return put(self, line)

    RecordFile._put = checked  # type: ignore[method-assign]


def check_files(folder: Path) -> None:
    """Checks the logs in a folder that commands have written there, as far as their lines are
    whole."""
    for path in folder.rglob("*"):
        if not path.is_file() or path.stat().st_size > 10_000_000:
            continue
        lines = path.read_bytes().split(b"\n")[:-1]
        if not lines or not lines[0].startswith(b'{"marker_log":'):
            continue
        for line in lines:
            try:
                check(line)
            except ValueError:
                continue


def _kind(value: Any) -> Any:
    if isinstance(value, int) and not isinstance(value, bool):
        return value > 0, value < 0, value > 255
    if isinstance(value, dict):
        return tuple((key, type(each)) for key, each in value.items())
    return value if isinstance(value, bool) else type(value)


def _named_by_its_first_key(record: dict[str, Any]) -> bool:
    kinds = {one["$ref"].rpartition("record_")[2] for one in validator().schema["oneOf"]}
    return next(iter(record)) in kinds
