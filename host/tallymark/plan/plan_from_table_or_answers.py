"""Internal: makes a plan from names and codes, as a CSV file or answers to questions give them."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import tomlkit

from tallymark.common.formatting import parse_time
from tallymark.common.lines.distant_code_sets import add_codes, distance
from tallymark.plan.model import PlanError

_EXAMPLE = "The first row names the columns: name, code, and if you like width, count, about"
_COLUMNS = ("name", "code", "width", "count", "about")


@dataclass(frozen=True)
class Row:
    """One event. code: None: one is to be proposed. width: with its unit; '': that of the session.
    count: None: not known."""

    name: str
    code: int | None = None
    width: str = ""
    count: int | None = None
    about: str = ""


@dataclass(frozen=True)
class Answers:
    """What a plan says beside its events. name: of the study. rate: sampling rate in Hz, or None.
    lines: that reach the receiver, 1..255, bit n for line n. width, interval: times with their
    units; interval: shortest time from marker to marker, '': not known. signature: code reserved
    for the session signature, or None."""

    name: str = ""
    rate: float | None = None
    lines: int = 0xFF
    width: str = "5ms"
    interval: str = ""
    signature: int | None = None


def read_rows(path: Path) -> list[Row]:
    """The events of a CSV file: comma, semicolon or tab between columns, in UTF-8 or, as
    spreadsheets on Windows write it, Windows-1252. Raises PlanError with the line and the remedy.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise PlanError(f"{path}: can't be opened ({error.strerror}). Check the name.") from error
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", "replace")
    lines = [line for line in text.splitlines() if line.strip(" ,;\t")]
    if not lines:
        raise PlanError(f"{path}: is empty. {_EXAMPLE}.")
    delimiter = max(",;\t", key=lines[0].count)
    cells = list(csv.reader(lines, delimiter=delimiter))
    head = [cell.strip().lower() for cell in cells[0]]
    if "name" not in head:
        raise PlanError(f"{path}: has no column 'name'. {_EXAMPLE}.")
    unknown = [name for name in head if name and name not in _COLUMNS]
    if unknown:
        raise PlanError(f"{path}: column {unknown[0]!r} is not known. {_EXAMPLE}.")
    rows = [
        _row({name: cell.strip() for name, cell in zip(head, line, strict=False)}, f"{path}: row "
                                                                                   f"{number}")
        for number, line in enumerate(cells[1:], 2)
    ]
    if not rows:
        raise PlanError(f"{path}: has a heading and no events. {_EXAMPLE}.")
    return rows


def _row(cells: dict[str, str], where: str) -> Row:
    name, width = cells.get("name", ""), cells.get("width", "")
    if not name:
        raise PlanError(f"{where}: has no name. Give the event one, or remove the row.")
    if width:
        try:
            parse_time(width)
        except ValueError as error:
            raise PlanError(f"{where}: width: {error}.") from None
    return Row(name, code_of(cells.get("code", ""), where), width,
               _whole(cells.get("count", ""), f"{where}: count"), cells.get("about", ""))


def code_of(text: str, where: str) -> int | None:
    """A code as people write it: 5, 0x05 or 0b101; None for ''. PlanError otherwise."""
    if not text:
        return None
    try:
        code = int(text, 0) if text[:2].lower() in ("0x", "0b") else int(text)
    except ValueError:
        raise PlanError(f"{where}: {text!r} is not a code. Write 5, 0x05 or 0b101.") from None
    if not 1 <= code <= 255:
        raise PlanError(f"{where}: a code goes from 1 to 255, not {code}. 0 means idle.")
    return code


def _whole(text: str, where: str) -> int | None:
    if not text:
        return None
    if not text.isascii() or not text.isdigit():
        raise PlanError(f"{where}: must be a whole number, not {text!r}.")
    return int(text)


def with_codes(rows: Sequence[Row], answers: Answers) -> tuple[list[Row], int]:
    """The events, each with a code, and in how many lines the codes differ at least, if codes were
    proposed (otherwise 1). Proposed ones differ from all others in two, if there are such codes, so
    that no single line turns one event into another; those that were given may be closer.

    Raises PlanError if the lines don't have as many codes."""
    given = {row.code for row in rows if row.code is not None}
    wanted = sum(row.code is None for row in rows)
    if not wanted:
        return list(rows), 1
    found = add_codes(given, wanted, answers.lines, {answers.signature or 0})
    if len(found) < wanted:
        raise PlanError(
            f"There are no {wanted} more codes on these lines beside those that are given. Use "
            "more lines, or fewer events."
        )
    free = iter(found)
    told = [row if row.code else replace(row, code=next(free)) for row in rows]
    pairs = combinations(sorted({*given, *found}), 2)
    return told, min((2, *(distance(one, other) for one, other in pairs)))


def plan_text(answers: Answers, rows: Sequence[Row], least_distance: int) -> str:
    """The plan as TOML with comments."""
    document = tomlkit.document()
    document.add(tomlkit.comment("All keys, with units and ranges: tallymark plan keys"))
    document.add(tomlkit.nl())
    if answers.name:
        document["name"] = answers.name
    receiver = tomlkit.table()
    if answers.rate is not None:
        rate: Any = int(answers.rate) if answers.rate == int(answers.rate) else answers.rate
        receiver["sampling_rate"] = tomlkit.item(rate).comment("Hz")
        receiver["least_samples"] = tomlkit.item(2).comment("samples that a pulse lasts at least")
    receiver["lines"] = [line for line in range(8) if answers.lines >> line & 1]
    document["receiver"] = receiver
    session = tomlkit.table()
    session["width_us"] = tomlkit.item(answers.width).comment("of every event that names none")
    if answers.interval:
        session["least_interval_us"] = tomlkit.item(answers.interval).comment(
            "shortest time from marker to marker"
        )
    if least_distance > 1:
        session["distance"] = tomlkit.item(least_distance).comment(
            "lines in which two codes differ"
        )
    document["session"] = session
    if answers.signature is not None:
        document["signature"] = {"code": answers.signature}
    events = tomlkit.aot()
    for row in rows:
        event = tomlkit.table()
        event["name"], event["code"] = row.name, row.code
        if row.width:
            event["width_us"] = row.width
        if row.count is not None:
            event["count"] = row.count
        if row.about:
            event["about"] = row.about
        events.append(event)
    document["event"] = events
    return tomlkit.dumps(document)
