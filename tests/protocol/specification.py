"""Reads PROTOCOL.md and the C sources as data, so that tests can compare them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DOCUMENT = ROOT / "protocol" / "PROTOCOL.md"
VECTORS = ROOT / "protocol" / "vectors"
CORE = ROOT / "firmware" / "core"

Row = dict[str, str]


@dataclass
class Section:
    """A heading of the document with the tables and the text below it."""

    title: str
    tables: list[list[Row]] = field(default_factory=list)
    text: str = ""


def sections() -> dict[str, Section]:
    """The sections of the document by their headings."""
    found: dict[str, Section] = {}
    section = Section("")
    lines = DOCUMENT.read_text(encoding="utf-8").splitlines()
    at = 0
    while at < len(lines):
        line = lines[at]
        if heading := re.match(r"#+ (.*)", line):
            section = found.setdefault(heading[1], Section(heading[1]))
        elif line.startswith("| "):
            rows = []
            while at < len(lines) and lines[at].startswith("|"):
                rows.append([cell.strip() for cell in lines[at].strip("|").split("|")])
                at += 1
            titles = rows[0]
            section.tables.append([dict(zip(titles, row, strict=True)) for row in rows[2:]])
            continue
        section.text += line + "\n"
        at += 1
    return found


def table(section: str, title: str) -> list[Row]:
    """The table in that section that has a column of that title."""
    return next(rows for rows in sections()[section].tables if title in rows[0])


def fields(message: str, number: int) -> list[Row] | None:
    """The table of fields below the heading `message (0x..)`; None if there is no such one."""
    for title, section in sections().items():
        if re.search(rf"(^|, ){re.escape(message)} \(0x{number:02X}\)", title):
            return next((rows for rows in section.tables if "offset" in rows[0]), [])
    return None


def c_numbers(prefix: str) -> dict[str, int]:
    """The enumerators of messages.h that begin with `prefix`, without it."""
    source = (CORE / "messages.h").read_text(encoding="utf-8")
    found = re.findall(rf"\b{prefix}_(\w+) = (0x[0-9A-F]+|\d+)", source)
    return {name: int(value, 0) for name, value in found}


def c_rows() -> dict[str, tuple[int, set[str]]]:
    """The request table of request_dispatch.c: name to (length of body, flags)."""
    source = (CORE / "request_dispatch.c").read_text(encoding="utf-8")
    found = re.findall(r"ROW\((\w+), +(\w+), +(\w+), +\w+\)", source)
    lengths = {"SETTINGS_LENGTH": 50}
    return {
        name: (lengths.get(length) or int(length), {flag} - {"0"})
        for name, length, flag in found
        if name != "request"
    }
