"""Event lists in text: BIDS `events.tsv` and other delimited tables with a header line.

The delimiter is tab, comma or semicolon, whichever the header line has most of. Columns are found
by name, whatever their case:

- time: `sample` (counts from 0, needs the sampling rate), or `onset`, `time`, `time_s`, `latency`
  in seconds, or one of these with `_ms` or `_us` behind it. With both, the sampling rate is found;
- code: `value`, `code`, `marker`, `trigger`, `trial_type` (the first that holds codes);
- width, if there: `duration` in seconds.

Numbers have a decimal point, or a decimal comma in all rows. What a code is says `codetext`.
"""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path

from tallymark.recording.formats.code_text import Codes, code_in, looks_hexadecimal
from tallymark.recording.formats.event_rows import check_rate, from_rows
from tallymark.recording.formats.text_file import read_text, refuse_control_characters
from tallymark.recording.recording_data import RecordedEvents, RecordingError

_TIMES = {"onset": 1e6, "time": 1e6, "time_s": 1e6, "latency": 1e6}
_TIMES |= {f"{name}_ms": 1e3 for name in ("onset", "time", "latency")}
_TIMES |= {f"{name}_us": 1.0 for name in ("onset", "time", "latency")}
_CODES = ("value", "code", "marker", "trigger", "trial_type")
_NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,]([0-9]*))?(?:[eE]([+-]?[0-9]{1,3}))?")


@dataclass
class _Table:
    """Column names, and (line number, cells) of each row that isn't empty. cut_off: whether the
    last row, and no other, has too few cells."""

    path: Path
    names: list[str]
    rows: list[tuple[int, list[str]]]
    cut_off: bool

    def column(self, name: str) -> int | None:
        """Index of a column whatever its case."""
        lower = [each.lower() for each in self.names]
        return lower.index(name.lower()) if name.lower() in lower else None

    def error(self, text: str) -> RecordingError:
        """An error that lists the columns."""
        return RecordingError(
            f"{self.path}: {text} Its columns: {', '.join(self.names[:40]) or 'none'}."
        )


def read_events(
    path: Path,
    rate: float | None = None,
    time_column: str | None = None,
    code_column: str | None = None,
    hexadecimal: bool = False,
) -> RecordedEvents:
    """Events of a delimited text file.

    Args:
        rate: sampling rate in Hz; needed for a `sample` column, and otherwise used for the limit
            that sampling sets to the jitter.
        time_column, code_column: names of the columns, where they can't be guessed.
        hexadecimal: whether codes are hexadecimal.

    Raises:
        RecordingError: columns are missing, a time is no number, or there is no event.
    """
    check_rate(rate)
    text, encoding = read_text(path)
    refuse_control_characters(path, text)
    notes = ["The file is not in UTF-8; it was read as Latin-1."] if encoding == "latin-1" else []
    table = _parse(path, text)
    if rate is None and time_column is None:
        rate = _rate_of_samples(table)
        if rate is not None:
            notes.append(f"Columns 'sample' and time agree on a sampling rate of {rate:.9g} Hz.")
    time_at, unit = _time_column(table, time_column, rate)
    code_at = _code_column(table, code_column, hexadecimal)
    _refuse_mixed(table, code_at, hexadecimal)
    width_at = table.column("duration")
    comma = _decimal_comma(table, time_at)
    codes = Codes("row", hexadecimal)
    rows: list[tuple[float, int, float]] = []
    zero: list[float] = []
    finest = 0
    for line, cells in table.rows:
        code = codes.take(cells[code_at], f"line {line}")
        when, digits = _number(cells[time_at], comma)
        if not code:
            if when is not None and code_in(cells[code_at], hexadecimal) == 0:
                zero.append(when * unit)
            continue
        if when is None or not abs(when * unit) < 1e17:
            raise RecordingError(
                f"{path}: line {line} has no number in column {table.names[time_at]!r} "
                f"({cells[time_at].strip()[:40]!r}). Correct it, or take the row out."
            )
        finest = max(finest, digits)
        width = None if width_at is None else _number(cells[width_at], comma)[0]
        rows.append((when * unit, code, (width or 0.0) * 1e6))
    if comma:
        notes.append("Numbers were read with a decimal comma.")
    incomplete = (
        [f"The file is cut off: its last line, {table.rows[-1][0]}, has too few cells."]
        if table.cut_off
        else []
    )
    return from_rows(
        path,
        table.names[code_at],
        rows,
        rate,
        notes + codes.notes(),
        step_us=unit * 10.0**-finest,
        incomplete=incomplete,
        zero_us=zero,
    )


def _parse(path: Path, text: str) -> _Table:
    head = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max("\t,;", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    names: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    short: list[int] = []
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if not names:
                names = [name.strip() for name in cells]
                continue
            if any(cell.strip() for cell in cells[len(names) :]):
                comma = delimiter == "," and re.search(r"\d,\d", ",".join(cells))
                hint = " If it has decimal commas, save it with semicolons or tabs between columns."
                raise RecordingError(
                    f"{path}: line {reader.line_num} has {len(cells)} cells, but the header line "
                    f"names {len(names)} columns.{hint if comma else ' Correct that line.'}"
                )
            if len(cells) < len(names):
                short.append(reader.line_num)
            rows.append((reader.line_num, cells + [""] * (len(names) - len(cells))))
    except csv.Error as error:
        raise RecordingError(
            f"{path}: line {reader.line_num} can't be read as a table ({error}). Save the table "
            "again."
        ) from error
    if not names:
        raise RecordingError(f"{path}: is empty.")
    cut_off = bool(rows) and short == [rows[-1][0]]
    return _Table(path, names, rows, cut_off)


def _time_column(table: _Table, wanted: str | None, rate: float | None) -> tuple[int, float]:
    if wanted is not None:
        at = table.column(wanted)
        if at is None:
            raise table.error(f"has no column with times called {wanted!r}. Name it.")
        name = table.names[at].lower()
        if name == "sample" and rate is not None:
            return at, 1e6 / rate
        return at, _TIMES.get(name, 1e6)
    sample = table.column("sample")
    if sample is not None and rate is not None:
        return sample, 1e6 / rate
    for name, unit in _TIMES.items():
        at = table.column(name)
        if at is not None:
            return at, unit
    if sample is not None:
        raise RecordingError(
            f"{table.path}: gives times in samples only. Give the sampling rate as well (--rate)."
        )
    raise table.error("has no column with times. Name it.")


def _rate_of_samples(table: _Table) -> float | None:
    """Sampling rate in Hz of a table that gives times in samples as well; None if it doesn't."""
    sample_at = table.column("sample")
    time_at, unit = next(
        ((at, unit) for name, unit in _TIMES.items() if (at := table.column(name)) is not None),
        (None, 0.0),
    )
    if sample_at is None or time_at is None:
        return None
    comma = any("," in cells[time_at] for _, cells in table.rows)
    pairs = [
        (when * unit / 1e6, sample)
        for _, cells in table.rows
        if (when := _number(cells[time_at], comma)[0]) is not None
        and (sample := _number(cells[sample_at], comma)[0]) is not None
    ]
    if len(pairs) < 4:
        return None
    (first, begin), (last, end) = min(pairs), max(pairs)
    rate = (end - begin) / (last - first) if last > first else 0.0
    if not 0 < rate <= 1e7:
        return None
    if abs(rate - round(rate)) <= rate * 2e-3 / (last - first):  # times are often in milliseconds
        rate = float(round(rate))
    good = all(abs((when - first) * rate - (sample - begin)) < 1 for when, sample in pairs)
    return rate if good and rate else None


def _code_column(table: _Table, wanted: str | None, hexadecimal: bool) -> int:
    names = [wanted] if wanted else list(_CODES)
    there = [at for name in names if (at := table.column(name)) is not None]
    if not there:
        raise table.error("has no column with codes. Name it (--channel).")
    for at in there:
        codes = Codes("row", hexadecimal)
        if any(codes.take(cells[at], "") for _, cells in table.rows):
            return at
    return there[0]


def _refuse_mixed(table: _Table, at: int, hexadecimal: bool) -> None:
    """Decimal and hexadecimal codes in one column would be read wrongly, one way or the other."""
    if hexadecimal:
        return
    odd = next(((line, c[at]) for line, c in table.rows if looks_hexadecimal(c[at])), None)
    if odd is not None and any(cells[at].strip().isdecimal() for _, cells in table.rows):
        raise RecordingError(
            f"{table.path}: line {odd[0]} has {odd[1].strip()[:40]!r} in column "
            f"{table.names[at]!r}, which others fill with numbers: its codes may be hexadecimal. "
            "If they are, give --hex; otherwise correct that line."
        )


def _decimal_comma(table: _Table, at: int) -> bool:
    cells = [(line, row[at]) for line, row in table.rows]
    comma = next(((line, cell) for line, cell in cells if "," in cell), None)
    point = next(((line, cell) for line, cell in cells if "." in cell), None)
    if comma is not None and point is not None:
        raise RecordingError(
            f"{table.path}: column {table.names[at]!r} has a comma in line {comma[0]} "
            f"({comma[1].strip()[:40]!r}) and a point in line {point[0]} "
            f"({point[1].strip()[:40]!r}), so it isn't clear which one is the decimal sign. Save "
            "the table with decimal points and without signs between thousands."
        )
    return comma is not None


def _number(text: str, comma: bool) -> tuple[float | None, int]:
    """A number and how many decimals it has; None if it is none."""
    text = text.strip()
    found = _NUMBER.fullmatch(text)
    if found is None or ("," in text and not comma):
        return None, 0
    value = float(text.replace(",", "."))
    decimals = len(found[1] or "") - int(found[2] or 0)
    return (value, min(max(decimals, 0), 12)) if math.isfinite(value) else (None, 0)
