"""What a logic analyser saw: a trace, read from a VCD file (IEEE 1364) or a CSV file.

A CSV file has a row that names its columns. A first column whose name begins with "time" holds
times, in the unit that its name tells in brackets; without it, each row is one sample.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from itertools import chain
from pathlib import Path

from vcd.reader import ScopeDecl, TokenKind, VarDecl, VCDParseError, tokenize

from tallymark.common.errors import BadValue
from tallymark.common.lines.readback_wiring_model import LINES
from tallymark.verification.acceptance.witness_observation import Seen

_PS = {"s": 10**12, "ms": 10**9, "us": 10**6, "µs": 10**6, "μs": 10**6, "ns": 1000, "ps": 1}
UNITS = ("s", "ms", "us", "ns", "ps")
_LEVELS = {"0": 0, "1": 1, "0.0": 0, "1.0": 1}
_DELIMITERS = "\t;,"


@dataclass(frozen=True, slots=True)
class Analyser:
    """What a file does not tell of the analyser.

    rate_hz: samples a second. clock_ppm: how far its clock may be off, from its data sheet.
    channels: names of the channels of line 0 to line 7; none where the file has eight, in order.
    time_unit: of the time column of a CSV file, where its name does not tell it; one of `UNITS`.
    """

    rate_hz: float
    clock_ppm: float
    channels: tuple[str, ...] = ()
    time_unit: str | None = None


_Rows = Iterator[tuple[int, int]]
"""Time in picoseconds, and the levels from then on."""


def read_trace(path: Path, analyser: Analyser) -> Seen:
    """Reads a trace. Raises BadValue for a file that can't be read or leaves something open."""
    try:
        if path.suffix.lower() == ".vcd":
            rows = _vcd(path, analyser)
        elif path.suffix.lower() in (".csv", ".tsv", ".txt"):
            rows = _csv(path, analyser)
        else:
            raise BadValue(f"A trace is a .vcd or .csv file, unlike {path}.")
        return _seen(rows, path, analyser)
    except (VCDParseError, UnicodeDecodeError, csv.Error) as error:
        raise BadValue(f"{path} can't be read as a trace: {error}.") from error
    except OSError as error:
        raise BadValue(f"{path} can't be read ({error.strerror}).") from error


def _seen(rows: _Rows, path: Path, analyser: Analyser) -> Seen:
    times: list[int] = []
    levels: list[int] = []
    grid = 0
    changed = False
    first = last = -1
    for time, now in rows:
        if first < 0:
            first = time
        if time < last:
            raise BadValue(f"The times in {path} go back at {time * 1e-12:.9f} s.")
        last = time
        if levels and levels[-1] == now:
            continue
        changed = changed or bool(levels)
        grid = math.gcd(grid, time - first)
        if times and times[-1] == time:
            levels[-1] = now
            if len(levels) > 1 and levels[-2] == now:
                times.pop()
                levels.pop()
            continue
        times.append(time)
        levels.append(now)
    if not times:
        raise BadValue(f"{path} holds no samples.")
    if len(times) == 1 and last == first and changed:
        raise BadValue(
            f"Every row of {path} has the same time. Export it with finer times, or without them: "
            "then each row is a sample."
        )
    late_us = max(1e6 / analyser.rate_hz, grid * 1e-6)
    return Seen(
        tuple(time * 1e-6 for time in times),
        tuple(levels),
        last * 1e-6,
        late_us,
        analyser.clock_ppm * 1e-6,
    )


def _lines_of(names: Sequence[str], path: Path, analyser: Analyser) -> list[int]:
    """The place among `names` of the channel of each line."""
    if analyser.channels:
        missing = [name for name in analyser.channels if names.count(name) != 1]
        if missing:
            raise BadValue(
                f"{path} has no channel '{missing[0]}', or has it twice. Its channels: "
                f"{', '.join(names)}."
            )
        return [names.index(name) for name in analyser.channels]
    if len(names) != LINES:
        raise BadValue(
            f"{path} has {len(names)} channels ({', '.join(names) or 'none'}), so which one is on "
            "which line is not known. Name those of line 0 to line 7: --channels D0,D1,..."
        )
    return list(range(LINES))


def _vcd(path: Path, analyser: Analyser) -> _Rows:
    """Channels are the variables of one bit, in the order of their declaration."""
    scale = 0
    scopes: list[str] = []
    names: list[str] = []
    ids: list[str] = []
    of_line: list[str] | None = None
    bits: dict[str, int] = {}
    time = 0
    with path.open("rb") as file:
        for token in tokenize(file):
            data = token.data
            if token.kind is TokenKind.TIMESCALE:
                scale = int(token.timescale.magnitude) * _PS.get(token.timescale.unit.value, 0)
            elif token.kind is TokenKind.SCOPE and isinstance(data, ScopeDecl):
                scopes.append(data.ident)
            elif token.kind is TokenKind.VAR and isinstance(data, VarDecl):
                if data.size == 1:
                    names.append(data.ref_str)
                    ids.append(data.id_code)
            elif token.kind is TokenKind.ENDDEFINITIONS:
                of_line = [ids[place] for place in _lines_of(names, path, analyser)]
            elif token.kind is TokenKind.CHANGE_TIME:
                if of_line and all(one in bits for one in of_line):
                    yield time, sum(bits[one] << line for line, one in enumerate(of_line))
                time = token.time_change * scale
            elif token.kind is TokenKind.CHANGE_SCALAR:
                change = token.scalar_change
                if of_line is None or change.id_code not in of_line:
                    continue
                if change.value in "01":
                    bits[change.id_code] = int(change.value)
                elif change.id_code in bits:
                    raise BadValue(f"In {path} a line is '{change.value}' at {time * 1e-12:.9f} s, "
                                   "which is no level.")
    if scale == 0 or of_line is None:
        raise BadValue(f"{path} has no time scale of 1 ps or more, or no channels.")
    if all(one in bits for one in of_line):
        yield time, sum(bits[one] << line for line, one in enumerate(of_line))


def _csv(path: Path, analyser: Analyser) -> _Rows:
    with path.open(newline="", encoding="utf-8-sig") as file:
        names, first, number = _head(file, path)
        delimiter = _delimiter(first)
        unit = _time_unit(names[0], path, analyser) if names[0].lower().startswith("time") else None
        channels = names if unit is None else names[1:]
        places = [
            place + (unit is not None) for place in _lines_of(channels, path, analyser)
        ]
        step = Decimal(10**12) / Decimal(repr(analyser.rate_hz))
        rows = csv.reader(chain([first], file), delimiter=delimiter)
        for count, row in enumerate(filter(None, rows)):
            at = number + rows.line_num - 1
            try:
                time = round(Decimal(row[0]) * unit) if unit is not None else round(count * step)
                levels = sum(
                    _LEVELS[row[place].strip()] << line for line, place in enumerate(places)
                )
            except (KeyError, IndexError, InvalidOperation, ValueError):
                raise BadValue(
                    f"Row {at} of {path} is no sample: '{delimiter.join(row)}'. Levels are 0 and 1."
                ) from None
            yield time, levels


def _head(file: Iterable[str], path: Path) -> tuple[list[str], str, int]:
    """The names of the columns, the first row of numbers, and its number in the file."""
    before = ""
    for number, row in enumerate(file, 1):
        if not row.strip() or row[0] in "#;":
            continue
        if all(_is_number(cell) for cell in row.strip().split(_delimiter(row))):
            names = [name.strip() for name in next(csv.reader([before], delimiter=_delimiter(row)))]
            if len(names) == row.count(_delimiter(row)) + 1:
                return names, row, number
            break
        before = row
    raise BadValue(
        f"{path} should have a row that names its columns, time and channels, and then rows of "
        "numbers. Let the analyser's program write the names."
    )


def _delimiter(row: str) -> str:
    return max(_DELIMITERS, key=row.count)


def _is_number(text: str) -> bool:
    try:
        Decimal(text.strip().strip('"'))
    except InvalidOperation:
        return False
    return True


def _time_unit(name: str, path: Path, analyser: Analyser) -> int:
    found = re.search(r"[\[(_ ]\s*(s|ms|us|µs|μs|ns|ps)\s*[\])]?\s*$", name)
    if found is not None:
        return _PS[found[1]]
    if analyser.time_unit is None:
        raise BadValue(
            f"The column '{name}' of {path} does not tell its unit. Give it: --time-unit s"
        )
    return _PS[analyser.time_unit]
