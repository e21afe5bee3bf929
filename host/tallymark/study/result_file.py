"""The result of one recording as the bytes of a file, made by the worker that checked it: so the
client only has to write them, and workers share that work.

A Parquet file: the rows of markers, and in its metadata the row of the study and events.tsv.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from tallymark.study import result_columns
from tallymark.study.one_recording import Result, Task, check_recording

ROW, EVENTS = b"tallymark.row", b"tallymark.events"


@dataclass(frozen=True)
class Checked:
    """A recording that was checked. key, row: as of `Result`. file: to be kept; empty for what is
    to be checked again the next time."""

    key: str
    row: dict[str, Any]
    file: bytes


def check_to_file(task: Task) -> Checked:
    """Check one recording, on a worker. Raises as `check_recording`."""
    result = check_recording(task)
    kept = result.keep and bool(result.key)
    return Checked(result.key, result.row, encoded(result) if kept else b"")


def encoded(result: Result) -> bytes:
    """The file of a result."""
    empty = result_columns.schema(result_columns.MARKERS).empty_table()
    table = empty if result.markers is None else result.markers
    told = {ROW: json.dumps(result.row, allow_nan=False)}
    if result.events is not None:
        told[EVENTS] = json.dumps(result.events)
    sink = pa.BufferOutputStream()
    # Compression that is easily done: most of a file is its metadata, which is not compressed.
    pq.write_table(table.replace_schema_metadata(told), sink, compression="lz4",
                   write_statistics=False)
    return bytes(sink.getvalue())
