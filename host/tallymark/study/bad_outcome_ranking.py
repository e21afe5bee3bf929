"""Recordings that are not all right: the worst first, and each in a sentence."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from tallymark.common.errors import describe_lines
from tallymark.study.measures import Row

_WRONG = ("altered", "missed", "merged", "extra")
_FEW_LINES = 3  # more of them are no hint where to look


def not_right(rows: Sequence[Row], explained: Collection[str] = ()) -> list[Row]:
    """The checked recordings whose outcome is not good, those with most wrong markers first.

    explained: names of recordings of which a finding over the study tells already; they come last.
    A recording with another session's log is among those findings, and is left out.
    """
    found = [row for row in rows if row["status"] == "checked" and row["outcome"] != "all arrived"
             and row["identity"] != "foreign"]
    return sorted(found, key=lambda row: (row["name"] in explained, -wrong(row), row["name"]))


def wrong(row: Row) -> int:
    """How many markers of a recording are altered, missed or merged, and events extra."""
    return sum(row[fate] or 0 for fate in _WRONG)


def sentence(row: Row) -> str:
    """What is wrong with a recording, and with which lines, for the head of a page."""
    lines = sum(1 << line for line in range(8) if row[f"line{line}_wrong"])
    text = f"{row['name'].rsplit('/', 1)[-1]}: {row['outcome']}"
    if 0 < lines.bit_count() <= _FEW_LINES:
        text += f", {describe_lines(lines)}"
    counts = ", ".join(f"{row[fate]:,} {fate}" for fate in _WRONG if row[fate])
    return f"{text} ({counts}; {row['expected']:,} markers sent)" if counts else text
