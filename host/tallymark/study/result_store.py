"""Results by the hash of what they follow from, so that what is done stays done.

A folder with one file a recording, as `result_file` makes it. A file appears whole or not at all.
"""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from tallymark.common.errors import NotWritten
from tallymark.study.recording_pair import StudyError
from tallymark.study.result_file import EVENTS, ROW, Checked


def _is_ours(folder: Path) -> None:
    """Raises StudyError for a folder that holds something else than results of a study."""
    if folder.is_dir() and any(folder.iterdir()) and not (folder / "results").is_dir():
        raise StudyError(
            f"{folder} holds files that are no results of a study. Nothing was written; choose "
            "another folder with --out."
        )


class ResultStore:
    """The results in a folder, which is made."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        _is_ours(folder.parent)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for draft in folder.glob("*.part"):  # of a run that was killed
                draft.unlink()
        except OSError as error:
            raise NotWritten(folder, error) from error
        self._known = {path.stem for path in folder.glob("*.parquet")}

    def __len__(self) -> int:
        return len(self._known)

    def __contains__(self, key: str) -> bool:
        return key in self._known

    def put(self, result: Checked) -> None:
        """Keep a result. Raises NotWritten."""
        path = self._path(result.key)
        draft = path.with_suffix(".part")
        try:
            draft.write_bytes(result.file)
            os.replace(draft, path)
        except OSError as error:
            with contextlib.suppress(OSError):
                draft.unlink()
            raise NotWritten(path, error) from error
        self._known.add(result.key)

    def row(self, key: str) -> dict[str, Any] | None:
        """The row of a result; None if its file is damaged, which is then as if not there."""
        try:
            metadata = pq.read_schema(self._path(key)).metadata
            row: dict[str, Any] = json.loads(metadata[ROW])
            return row
        except (OSError, pa.ArrowException, KeyError, ValueError):
            self._known.discard(key)
            return None

    def markers(self, key: str) -> pa.Table:
        """The rows of markers of a result."""
        return pq.read_table(self._path(key)).replace_schema_metadata(None)

    def events(self, key: str) -> tuple[str, str] | None:
        """Text of events.tsv and of its JSON, None for a recording that could not be checked."""
        metadata = pq.read_schema(self._path(key)).metadata
        if EVENTS not in metadata:
            return None
        table, sidecar = json.loads(metadata[EVENTS])
        return str(table), str(sidecar)

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.parquet"
