"""Mutants: small bugs as a person would make them, one row each, in `table/ROOM.toml`.

A table begins with its test commands and goes on with its mutants:

    [tests.KEY]
    build = ["make -s -f tests/mutants/extensions.mk"]     # commands, may be empty
    run = ".venv/bin/python -m pytest -x -q tests/core"
    timeout_s = 120

    [[mutant]]
    name = "gap starts at the pulse's edge"   # unique: says what a person got wrong
    file = "firmware/core/output_engine.c"            # from the top of the repository
    find = "lines->idle_since = *at;"         # occurs once in the file
    replace = "lines->idle_since = lines->edge;"
    tests = "KEY"
    equivalent = "reason"                     # only where no one can see a difference

A row of a generated table has `line` as well: the number of the line that is `find`.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from pathlib import Path

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

TABLES = Path(__file__).parent / "table"


@dataclass(frozen=True)
class Tests:
    """How mutants of a room are built and tested. `timeout_s` in seconds, for all commands."""

    key: str
    build: tuple[str, ...]
    run: str
    timeout_s: float


@dataclass(frozen=True)
class Mutant:
    """One row of a table."""

    room: str
    name: str
    file: str
    find: str
    replace: str
    tests: Tests
    equivalent: str | None = None
    line: int | None = None

    def apply(self, text: str) -> str:
        """The file's text with the bug in it. ValueError where the row doesn't fit the text."""
        if self.line is not None:
            lines = text.splitlines(keepends=True)
            if self.line > len(lines) or lines[self.line - 1] != self.find:
                raise ValueError(f"line {self.line} of {self.file} is another one now")
            lines[self.line - 1] = self.replace
            return "".join(lines)
        if self.find == self.replace:
            raise ValueError("it changes nothing")
        if text.count(self.find) == 1:
            return text.replace(self.find, self.replace)
        # Where the text was only wrapped otherwise since, the row still says the same.
        pattern = r"\s+".join(map(re.escape, self.find.split()))
        found = list(re.finditer(pattern, text))
        if len(found) != 1:
            raise ValueError(f"'find' occurs {len(found)} times in {self.file}, not once")
        (match,) = found
        return text[: match.start()] + self.replace.strip() + text[match.end() :]


def read_table(path: Path) -> list[Mutant]:
    """The mutants of one table. ValueError for a table that is wrong."""
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    tests = {
        key: Tests(key, tuple(each["build"]), each["run"], each["timeout_s"])
        for key, each in table["tests"].items()
    }
    rows = table.get("mutant", [])
    names = [row["name"] for row in rows]
    if twice := {name for name in names if names.count(name) > 1}:
        raise ValueError(f"{path.name}: names used twice: {sorted(twice)}")
    try:
        return [Mutant(path.stem, **(row | {"tests": tests[row["tests"]]})) for row in rows]
    except (KeyError, TypeError) as error:
        raise ValueError(f"{path.name}: a row has a wrong or missing key: {error}") from None


def read_tables(rooms: list[str] | None = None, folder: Path = TABLES) -> list[Mutant]:
    """The mutants of all rooms, or of some."""
    found = {path.stem: path for path in sorted(folder.glob("*.toml"))}
    if unknown := set(rooms or ()) - set(found):
        raise ValueError(f"no table for {sorted(unknown)}; there are {list(found)}")
    return [mutant for room in rooms or found for mutant in read_table(found[room])]
