"""Which records that a program handed to its log are in the file, and which the log counts as lost:
read off the bytes of the file alone, without the library's reader."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from promise_errors import Broken

_OWN = (b'{"lost":', b'{"end":')
"""How records begin that the log writes by itself."""


@dataclass
class Records:
    """values: of the records handed over. whole: numbers of those in the file. torn: numbers of
    lines that are a part of a record. told: how many the file says it lost. rest: how many of the
    last ones are neither in it nor counted. tail: it ends within a record."""

    values: list[dict[str, Any]]
    whole: set[int] = field(default_factory=set)
    torn: list[int] = field(default_factory=list)
    told: int = 0
    rest: int = 0
    ended: bool = False
    tail: bool = False


def account(raw: bytes, handed: list[bytes]) -> Records:
    """Walks through a file of one part. Broken if it holds what nobody handed over, or if a record
    is missing where the file counts none."""
    found = Records([json.loads(line) for line in handed])
    lines = raw.split(b"\n")
    last = lines.pop()
    if (last.startswith(_OWN) and _is_json(last)) or last + b"\n" in handed:
        lines.append(last)  # whole but for its line feed
        last = b""
    at = 0
    for number, line in enumerate(lines[1:], 2):
        if at < len(handed) and line + b"\n" == handed[at]:
            found.whole.add(at)
            at += 1
        elif line.startswith(_OWN) and _is_json(line):
            record = json.loads(line)
            found.ended |= "end" in record
            found.told += record.get("lost", 0)
            at += record.get("lost", 0)
            if at > len(handed):
                raise Broken("log-loss-reported", "more records are told as lost than there were")
        elif _is_part(line, handed, at):
            found.torn.append(number)
        else:
            raise Broken("log-complete", f"line {number} is {line!r}, not record {at}")
    if last and not _is_part(last, handed, at):
        raise Broken("log-complete", f"the file ends with {last!r}")
    found.tail = bool(last)
    found.rest = len(handed) - at
    return found


def _is_part(line: bytes, handed: list[bytes], at: int) -> bool:
    records = [*handed[at : at + 1], *_OWN]
    return any(record.startswith(line) or line.startswith(record) for record in records)


def _is_json(line: bytes) -> bool:
    try:
        json.loads(line)
    except ValueError:
        return False
    return True
