"""Event lists in text: BIDS `events.tsv` and other delimited tables with a header line.

The delimiter is tab, comma or semicolon, whichever the header line has most of. Columns are found
by name, whatever their case:

- time: `sample` (counts from 0, needs the sampling rate), or `onset`, `time`, `time_s`, `latency`
  in seconds, or one of these with `_ms` or `_us` behind it;
- code: `value`, `code`, `marker`, `trigger`, `trial_type` (the first that holds numbers);
- width, if there: `duration` in seconds.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np

from tallymark.recording.model import RecordedEvents, RecordingError

_TIMES = {"onset": 1e6, "time": 1e6, "time_s": 1e6, "latency": 1e6}
_TIMES |= {f"{name}_ms": 1e3 for name in ("onset", "time", "latency")}
_TIMES |= {f"{name}_us": 1.0 for name in ("onset", "time", "latency")}
_CODES = ("value", "code", "marker", "trigger", "trial_type")


def read_events(
    path: Path,
    rate: float | None = None,
    time_column: str | None = None,
    code_column: str | None = None,
) -> RecordedEvents:
    """Events of a delimited text file.

    Args:
        rate: sampling rate in Hz; needed for a `sample` column, and otherwise used for the limit
            that sampling sets to the jitter.
        time_column, code_column: names of the columns, where they can't be guessed.

    Raises:
        RecordingError: columns are missing, a time is no number, or there is no event.
    """
    if rate is not None and rate <= 0:
        raise RecordingError(f"The sampling rate must be above 0, not {rate:g}.")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise RecordingError(f"{path}: is not text. Which format is it?") from error
    lines = text.splitlines()
    if not lines:
        raise RecordingError(f"{path}: is empty.")
    delimiter = max("\t,;", key=lines[0].count)
    names = [name.strip() for name in next(csv.reader(lines[:1], delimiter=delimiter))]
    lower = [name.lower() for name in names]
    time_at, unit = _time_column(path, names, lower, time_column, rate)
    code_names = [code_column.lower()] if code_column else list(_CODES)
    code_at = [lower.index(name) for name in code_names if name in lower]
    if not code_at:
        raise RecordingError(
            f"{path}: has no column with codes. Name it. Its columns: {', '.join(names)}."
        )
    width_at = lower.index("duration") if "duration" in lower else None
    rows, without = [], 0
    for number, row in enumerate(csv.reader(lines[1:], delimiter=delimiter), 2):
        if not row or not any(row):
            continue
        code = next((c for at in code_at if (c := code_in(row[at] if at < len(row) else ""))), 0)
        if not code:
            without += 1
            continue
        try:
            when = float(row[time_at]) * unit
            width = float(row[width_at]) * 1e6 if width_at is not None else 0.0
        except (ValueError, IndexError):
            if width_at is not None and time_at < len(row) and _is_number(row[time_at]):
                when, width = float(row[time_at]) * unit, 0.0
            else:
                raise RecordingError(
                    f"{path}: line {number} has no number in column {names[time_at]!r}."
                ) from None
        rows.append((when, code, width))
    notes = [f"{without} rows without a code from 1 to 255 were left out."] if without else []
    return from_rows(path, names[code_at[0]], rows, rate, notes)


def from_rows(
    path: Path,
    column: str,
    rows: list[tuple[float, int, float]],
    rate: float | None = None,
    notes: list[str] | None = None,
) -> RecordedEvents:
    """Events from rows of (time, code 1..255, width), times in microseconds.

    Raises RecordingError if there is no row.
    """
    if not rows:
        raise RecordingError(f"{path}: holds no event with a code from 1 to 255.")
    rows = sorted(rows)
    values = np.array(rows)
    sample_us = 1.0 if rate is None else 1e6 / rate
    covers = (
        "An event list doesn't say when the recording began and ended; it is taken to cover its "
        "first to its last event."
    )
    return RecordedEvents(
        path,
        "event list",
        column,
        rate,
        np.round(values[:, 0] / sample_us).astype(np.int64),
        values[:, 0],
        values[:, 1].astype(np.uint8),
        np.round(np.nan_to_num(values[:, 2]) / sample_us).astype(np.int64),
        float(values[0, 0]) - 1.0,
        float(values[-1, 0]) + 1.0,
        rule=f"codes from {column!r}",
        notes=[*(notes or []), covers],
    )


def code_in(text: str) -> int:
    """The number at the end of a text, if it is a code from 1 to 255; otherwise 0."""
    match = re.search(r"(\d+)(\.0+)?\s*$", text)
    code = int(match[1]) if match else 0
    return code if 1 <= code <= 255 else 0


def _time_column(
    path: Path, names: list[str], lower: list[str], wanted: str | None, rate: float | None
) -> tuple[int, float]:
    if wanted is not None and wanted.lower() in lower:
        at = lower.index(wanted.lower())
        if lower[at] == "sample" and rate is not None:
            return at, 1e6 / rate
        return at, _TIMES.get(lower[at], 1e6)
    if wanted is None:
        if "sample" in lower and rate is not None:
            return lower.index("sample"), 1e6 / rate
        for name, unit in _TIMES.items():
            if name in lower:
                return lower.index(name), unit
        if "sample" in lower:
            raise RecordingError(
                f"{path}: gives times in samples only. Give the sampling rate as well."
            )
    raise RecordingError(
        f"{path}: has no column with times{f' called {wanted!r}' if wanted else ''}. Name it. "
        f"Its columns: {', '.join(names)}."
    )


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
