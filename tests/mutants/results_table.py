"""The table of results in README.md: one line a room, from the last run of that room."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

BEGIN = "<!-- results: begin -->"
END = "<!-- results: end -->"
HEAD = "| room | rows | equivalent | run | caught | caught of run | at commit |"
RULE = "| --- | ---: | ---: | ---: | ---: | ---: | --- |"


def line_of(room: str, counts: Counter[str], commit: str) -> str:
    """A room's line, from how many of its rows had which outcome."""
    caught = counts["caught"] + counts["slow"]
    run = caught + counts["survived"]
    share = f"{100 * caught / run:.1f} %" if run else "-"
    rows = counts.total()
    return f"| {room} | {rows} | {counts['equivalent']} | {run} | {caught} | {share} | {commit} |"


def put(path: Path, rooms: Mapping[str, Counter[str]], commit: str) -> None:
    """Replaces the lines of these rooms in a document; those of other rooms stay.

    Raises ValueError for a document without the marked section.
    """
    text = path.read_text(encoding="utf-8")
    found = re.fullmatch(f"(.*{BEGIN}\n)(.*)({END}.*)", text, re.DOTALL)
    if found is None:
        raise ValueError(f"{path} has no section between {BEGIN} and {END}")
    before, section, after = found.groups()
    lines = {line.split()[1]: line for line in section.splitlines()[2:]}
    lines |= {room: line_of(room, counts, commit) for room, counts in rooms.items()}
    section = "\n".join([HEAD, RULE, *(lines[room] for room in sorted(lines))])
    path.write_text(f"{before}{section}\n{after}", encoding="utf-8")
