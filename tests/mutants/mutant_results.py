"""What became of each row, kept in `results/ROOM.tsv`, so that a table can be run in pieces.

A result says of which texts it was seen: of the row (what is replaced by what), of the file without
the bug, and of the tests (their command and folders). A caught bug stays caught while row and file
stay, for tests are added and not weakened; a survivor is tried again when the tests change as well.
"""

from __future__ import annotations

import contextlib
import fcntl
import functools
import hashlib
import re
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from pathlib import Path

from mutant_table import Mutant, Tests
from scratch_copy import ROOT, SCRATCH, listed

RESULTS = Path(__file__).parent / "results"
CAUGHT, SLOW, SURVIVED, STALE, EQUIVALENT = "caught", "slow", "survived", "stale", "equivalent"
NOT_RUN = "not run"


@dataclass(frozen=True)
class Result:
    """What became of a row. The first test that failed is `by`, or empty."""

    name: str
    outcome: str
    row: str
    file: str
    tests: str
    commit: str
    by: str

    def same_row(self, mutant: Mutant) -> bool:
        """Whether it is of this row, though file or tests may have changed since."""
        return self.row == digest_of_row(mutant)

    def holds(self, mutant: Mutant) -> bool:
        """Whether a run would only repeat it."""
        if not self.same_row(mutant) or self.file != digest_of_file(mutant.file):
            return False
        return self.outcome != SURVIVED or self.tests == digest_of_tests(mutant.tests)


def result_of(mutant: Mutant, outcome: str, by: str, commit: str) -> Result:
    """A result of the tree as it is now."""
    tests = digest_of_tests(mutant.tests)
    row, file = digest_of_row(mutant), digest_of_file(mutant.file)
    return Result(mutant.name, outcome, row, file, tests, commit, by)


def digest(*texts: bytes) -> str:
    """Ten digits that stand for some texts."""
    found = hashlib.sha256()
    for text in texts:
        found.update(len(text).to_bytes(8, "little") + text)
    return found.hexdigest()[:10]


def digest_of_row(mutant: Mutant) -> str:
    """Of what a row replaces by what; the file may be moved."""
    return digest(mutant.find.encode(), mutant.replace.encode())


@functools.cache
def digest_of_file(name: str) -> str:
    """Of a file of the checkout."""
    return digest((ROOT / name).read_bytes())


@functools.cache
def digest_of_tests(tests: Tests) -> str:
    """Of the command and of all files in the folders of tests that it names."""
    folders = sorted(set(re.findall(r"tests/(\w+)", tests.run)) - {"mutants"})
    return digest(tests.run.encode(), *(_digest_of_folder(folder) for folder in folders))


@functools.cache
def _digest_of_folder(name: str) -> bytes:
    files = sorted(each for each in _files() if each.startswith(f"tests/{name}/"))
    return digest(*((ROOT / each).read_bytes() for each in files)).encode()


@functools.cache
def _files() -> frozenset[str]:
    return frozenset(listed())


def read(room: str, folder: Path = RESULTS) -> dict[str, Result]:
    """The last result of each row of a room, by the row's name."""
    path = folder / f"{room}.tsv"
    if not path.exists():
        return {}
    rows = [line.split("\t") for line in path.read_text(encoding="utf-8").splitlines()]
    return {row[0]: Result(*row) for row in rows}


def put(room: str, result: Result, folder: Path = RESULTS) -> None:
    """Keeps a result in place of the row's last one. Several runs may do so at once."""
    folder.mkdir(exist_ok=True)
    path = folder / f"{room}.tsv"
    with _alone():
        rows = read(room, folder) | {result.name: result}
        text = "".join("\t".join(astuple(rows[name])) + "\n" for name in sorted(rows))
        path.write_text(text, encoding="utf-8")


@contextlib.contextmanager
def _alone() -> Iterator[None]:
    SCRATCH.mkdir(parents=True, exist_ok=True)
    with (SCRATCH / "results.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
