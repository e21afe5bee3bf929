"""The two tables of a study as files: Parquet, and TSV on request."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import pyarrow as pa
import pyarrow.compute
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from tallymark.common.errors import NotWritten
from tallymark.study.result_columns import MARKERS, RECORDINGS, described, schema
from tallymark.study.whole_study import Study

_ROWS = 200_000  # of markers in a row group


def replaced(path: Path, write: Callable[[Path], object]) -> Path:
    """Write a file in one step: it is there whole, or as it was before. Raises NotWritten."""
    draft = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write(draft)
        os.replace(draft, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise NotWritten(path, error) from error
    return path


def write_text(path: Path, text: str) -> Path:
    """Write a text in one step, in UTF-8. Raises NotWritten."""
    return replaced(path, lambda draft: draft.write_bytes(text.encode()))


def write_json(path: Path, value: Any) -> Path:
    """Write data as JSON in one step. Raises NotWritten."""
    return write_text(path, json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def write_tables(study: Study, folder: Path, tsv: bool = False) -> list[Path]:
    """Write recordings.parquet and markers.parquet; with `tsv`, also .tsv files with their JSON.

    Copies of a recording have a row among recordings, and none among markers. TSV that an earlier
    run wrote is renewed, so that it never says something else. Raises NotWritten.
    """
    tsv = tsv or (folder / "recordings.tsv").exists()
    table = pa.Table.from_pylist(study.rows, schema(RECORDINGS))
    written = [
        replaced(folder / "recordings.parquet", lambda draft: pq.write_table(table, draft)),
        replaced(folder / "markers.parquet", lambda draft: _write_markers(study, draft, None)),
    ]
    if tsv:
        text = _for_tsv(table)
        written += [
            replaced(folder / "recordings.tsv", lambda draft: _write_tsv(text, draft)),
            replaced(folder / "markers.tsv", lambda draft: _write_markers(study, None, draft)),
        ]
        for name, columns in (("recordings", RECORDINGS), ("markers", MARKERS)):
            written.append(write_json(folder / f"{name}.json", described(columns)))
    return written


def _write_markers(study: Study, parquet: Path | None, tsv: Path | None) -> None:
    """The markers of all recordings, some at a time, so that memory does not grow with them."""
    form = schema(MARKERS)
    waiting: list[pa.Table] = []
    with contextlib.ExitStack() as stack:
        into: Any
        if parquet is not None:
            into = stack.enter_context(pq.ParquetWriter(parquet, form, compression="zstd"))
        else:
            file = stack.enter_context(open(tsv, "wb"))  # type: ignore[arg-type]
            into = stack.enter_context(_tsv_writer(file, _for_tsv(form.empty_table()).schema))
        for row in study.rows:
            if row["status"] != "checked":
                continue
            table = study.store.markers(row["key"])
            name = pa.array([row["name"]]).dictionary_encode()
            names = pa.DictionaryArray.from_arrays(
                pa.array([0] * len(table), pa.int32()), name.dictionary
            )
            waiting.append(table.set_column(0, form.field(0), names))
            if sum(map(len, waiting)) >= _ROWS:
                _put(into, waiting, parquet is None)
        _put(into, waiting, parquet is None)


def _put(into: Any, waiting: list[pa.Table], as_text: bool) -> None:
    if waiting:
        table = pa.concat_tables(waiting).unify_dictionaries()
        into.write_table(_for_tsv(table) if as_text else table)
        waiting.clear()


def _for_tsv(table: pa.Table) -> pa.Table:
    """As text for a TSV of BIDS: 'n/a' for what isn't known, and no tab or line end in a cell."""
    columns = []
    for column in table.columns:
        text = column.cast(pa.string())
        text = pa.compute.replace_substring_regex(text, r"\s+", " ")
        columns.append(pa.compute.if_else(pa.compute.equal(text, ""), None, text).fill_null("n/a"))
    return pa.Table.from_arrays(columns, names=table.column_names)


def _tsv_writer(file: IO[bytes], form: pa.Schema) -> pacsv.CSVWriter:
    """Writes the line of names itself, which Arrow would put in quotation marks."""
    file.write(("\t".join(form.names) + "\n").encode())
    options = pacsv.WriteOptions(delimiter="\t", quoting_style="none", include_header=False)
    return pacsv.CSVWriter(file, form, write_options=options)


def _write_tsv(table: pa.Table, draft: Path) -> None:
    with draft.open("wb") as file, _tsv_writer(file, table.schema) as writer:
        writer.write_table(table)
