"""Reads the steps of a sequence from a CSV file.

The first row names the columns: `code`, and `hold_us` or `hold_ms`, or `hold` for times with their
units (`5ms`). Other columns are passed over.
Lines that begin with # are comments. Columns may be separated by comma, semicolon or tab.
"""

from __future__ import annotations

import csv
from pathlib import Path

from tallymark.cli.common import parse_number
from tallymark.common.errors import BadValue
from tallymark.common.formatting import parse_time

_HOLDS = {"hold_us": 1, "hold_ms": 1_000}
_WITH_UNIT = " with its unit, such as 500us or 5ms"
_EXAMPLE = "The first row names the columns, for instance: code,hold_ms"


def read_steps(path: Path) -> list[tuple[int, int]]:
    """The (code, hold time in µs) of each row. BadValue with the line that can't be read."""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise BadValue(f"{path} can't be read ({error.strerror}). Nothing was sent.") from error
    except UnicodeDecodeError as error:
        raise BadValue(f"{path} is not a text file. Nothing was sent.") from error
    rows = [
        (number, line)
        for number, line in enumerate(lines, 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not rows:
        raise BadValue(f"{path} is empty. {_EXAMPLE}")
    head = rows[0][1]
    delimiter = max(",;\t", key=head.count)
    names = [name.strip().lower() for name in next(csv.reader([head], delimiter=delimiter))]
    hold = next((name for name in names if name in ("hold", *_HOLDS)), None)
    if "code" not in names or hold is None:
        raise BadValue(f"{path}, line {rows[0][0]}: no columns 'code' and 'hold_us', 'hold_ms' "
                       f"or 'hold'. {_EXAMPLE}")
    at_code, at_hold = names.index("code"), names.index(hold)
    steps = []
    for number, line in rows[1:]:
        cells = next(csv.reader([line], delimiter=delimiter))
        try:
            code = parse_number(cells[at_code])
            hold_us = _hold_us(cells[at_hold], hold)
        except (ValueError, IndexError, OverflowError):
            raise BadValue(f"{path}, line {number}: '{line.strip()}' is not a code and a hold "
                           f"time{_WITH_UNIT if hold == 'hold' else ''}. Nothing was sent."
                           ) from None
        if not 0 <= code < 256:
            raise BadValue(f"{path}, line {number}: a code goes from 0 to 255, not {code}. "
                           "Nothing was sent.")
        if hold_us < 1:
            raise BadValue(f"{path}, line {number}: the hold time has to be longer than 0. "
                           "Nothing was sent.")
        steps.append((code, hold_us))
    if not steps:
        raise BadValue(f"{path} has a heading and no steps. Nothing was sent.")
    return steps


def _hold_us(cell: str, column: str) -> int:
    if column == "hold":
        return parse_time(cell)
    return round(float(cell) * _HOLDS[column])
