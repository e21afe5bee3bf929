"""Puts each mutant into a copy of the checkout, alone, and sees whether the tests notice.

    run.py                       all mutants of all rooms
    run.py --room core           one room (may be repeated)
    run.py --sample 100          so many, drawn by the commit, or by --seed
    run.py --name 'text'         those whose name has the text in it
    run.py --generated TABLE     those of a table that a program made
    run.py --write               the results of whole rooms go into README.md

caught    a test failed, or the mutant did not build
slow      the tests took longer than their limit: caught, but told apart
survived  every test passed: a hole in the tests
stale     the row no longer fits the file: mend the table

Mutants count only where the tests pass without any, which is tried first. Rows that are marked
equivalent are listed and not run. Writes build/mutants.json; exits with 1 if a row is stale, the
tests fail without a mutant, or less than --least percent are caught.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import random
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import results_table
from mutant_table import Mutant, Tests, read_table, read_tables
from scratch_copy import ROOT, ScratchCopy

HERE = Path(__file__).resolve().parent
SCRATCH = ROOT / "build" / "mutants"
CAUGHT, SLOW, SURVIVED, STALE, EQUIVALENT = "caught", "slow", "survived", "stale", "equivalent"
NOT_RUN = "not run"


@dataclass(frozen=True)
class Result:
    """What became of a mutant, after `seconds` of building and testing."""

    mutant: Mutant
    outcome: str
    seconds: float = 0.0


def test(copy: ScratchCopy, tests: Tests) -> tuple[str, str]:
    """Builds and runs the tests in a copy; returns the outcome and what was printed."""
    deadline = time.monotonic() + tests.timeout_s
    for command in (*tests.build, tests.run):
        status, printed = copy.run(command, max(1.0, deadline - time.monotonic()))
        if status is None:
            return SLOW, printed
        if status != 0:
            return CAUGHT, printed
    return SURVIVED, ""


def try_mutant(copy: ScratchCopy, mutant: Mutant) -> Result:
    """Puts the mutant in, tests, and takes it out again."""
    if mutant.equivalent is not None:
        return Result(mutant, EQUIVALENT)
    path = copy.folder / mutant.file
    begin = time.monotonic()
    try:
        text = path.read_text(encoding="utf-8")
        bad = mutant.apply(text)
    except (ValueError, OSError):
        return Result(mutant, STALE)
    try:
        path.write_text(bad, encoding="utf-8")
        outcome, _ = test(copy, mutant.tests)
    finally:
        path.write_text(text, encoding="utf-8")
    return Result(mutant, outcome, time.monotonic() - begin)


class Campaign:
    """Mutants on their way through a number of copies, one thread each."""

    def __init__(self, jobs: int, budget_s: float | None) -> None:
        self._end = None if budget_s is None else time.monotonic() + budget_s
        self._copies: queue.SimpleQueue[ScratchCopy] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._pool = ThreadPoolExecutor(jobs)
        self._done = 0
        copies = [ScratchCopy(SCRATCH / str(number)) for number in range(jobs)]
        for copy in copies:
            copy.sync()
            self._copies.put(copy)

    def baseline(self, commands: Iterable[Tests]) -> list[str]:
        """Keys of the tests that fail without any mutant, after saying how."""
        return [key for key in self._pool.map(self._pass_alone, commands) if key is not None]

    def _pass_alone(self, tests: Tests) -> str | None:
        copy = self._copies.get()
        try:
            outcome, printed = test(copy, tests)
        finally:
            self._copies.put(copy)
        if outcome == SURVIVED:
            return None
        with self._lock:
            print(f"The tests '{tests.key}' fail without any mutant ({outcome}):")
            print(printed[-3000:])
        return tests.key

    def run(self, mutants: list[Mutant]) -> list[Result]:
        """The results, in the order of the mutants."""
        return list(self._pool.map(lambda mutant: self._one(mutant, len(mutants)), mutants))

    def _one(self, mutant: Mutant, total: int) -> Result:
        if self._end is not None and time.monotonic() > self._end:
            return Result(mutant, NOT_RUN)
        copy = self._copies.get()
        try:
            result = try_mutant(copy, mutant)
        finally:
            self._copies.put(copy)
        with self._lock:
            self._done += 1
            print(
                f"{self._done:4}/{total}  {result.outcome:10} {result.seconds:5.1f} s  "
                f"{mutant.room}: {mutant.name}",
                flush=True,
            )
        return result


def table_of(results: list[Result]) -> str:
    """A line for each room, and one for all."""
    columns = (CAUGHT, SLOW, SURVIVED, EQUIVALENT, STALE, NOT_RUN)
    rooms = sorted({result.mutant.room for result in results})
    lines = ["room".ljust(14) + "".join(name.rjust(11) for name in (*columns, "caught of"))]
    for room in (*rooms, "all"):
        counts = Counter(r.outcome for r in results if room in (r.mutant.room, "all"))
        lines.append(
            room.ljust(14)
            + "".join(str(counts[name]).rjust(11) for name in columns)
            + f"{share(counts):9.1f} %"
        )
    return "\n".join(lines)


def share(counts: Counter[str]) -> float:
    """Percent caught of those that were run."""
    caught = counts[CAUGHT] + counts[SLOW]
    return 100 * caught / max(1, caught + counts[SURVIVED])


def commit() -> str:
    """The commit's name, which draws its sample."""
    done = subprocess.run(
        ["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return done.stdout.strip()[:12]


def tree() -> str:
    """The commit's name, and whether the tree that was tested differs from it."""
    done = subprocess.run(
        ["git", "status", "--porcelain", "--", "firmware", "host", "tests", ":!*.md"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return commit() + (" with changes" if done.stdout else "")


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--room", action="append", help="a table's name without .toml")
    parser.add_argument("--generated", type=Path, help="a table that a program made")
    parser.add_argument("--name", help="only mutants with this in their name")
    parser.add_argument("--sample", type=int, help="only so many, drawn at random")
    parser.add_argument("--seed", help="of the draw; default: the commit")
    parser.add_argument("--minutes", type=float, help="begin no mutant after this time")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--least", type=float, default=95.0, help="percent; default: 95")
    parser.add_argument("--write", action="store_true", help="put results of rooms into README.md")
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "mutants.json")
    options = parser.parse_args()
    if options.write and (options.generated or options.name or options.sample is not None):
        parser.error("--write takes whole rooms: no --generated, --name or --sample")
    return options


def choose(options: argparse.Namespace) -> list[Mutant]:
    """The mutants that the options ask for."""
    mutants = read_table(options.generated) if options.generated else read_tables(options.room)
    if options.name:
        mutants = [mutant for mutant in mutants if options.name in mutant.name]
    if options.sample is not None and options.sample < len(mutants):
        seed = options.seed or commit()
        mutants = random.Random(seed).sample(mutants, options.sample)
        print(f"A sample of {options.sample} mutants, drawn with --seed {seed}")
    return mutants


def write(results: list[Result], path: Path) -> None:
    """The results as JSON, for whoever wants to count them in another way."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = [
        {
            "room": result.mutant.room,
            "name": result.mutant.name,
            "file": result.mutant.file,
            "outcome": result.outcome,
            "seconds": round(result.seconds, 2),
            "equivalent": result.mutant.equivalent,
        }
        for result in results
    ]
    path.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")


def by_room(results: list[Result]) -> dict[str, Counter[str]]:
    """How many mutants of each room had which outcome."""
    counts: dict[str, Counter[str]] = {}
    for result in results:
        counts.setdefault(result.mutant.room, Counter())[result.outcome] += 1
    return counts


def main() -> int:
    options = arguments()
    tested = tree()
    mutants = choose(options)
    if not mutants:
        print("No mutant fits")
        return 1
    budget_s = None if options.minutes is None else 60 * options.minutes
    campaign = Campaign(options.jobs, budget_s)
    runs = [mutant.tests for mutant in mutants if mutant.equivalent is None]
    failing = campaign.baseline(dict.fromkeys(runs))
    if failing:
        return 1
    results = campaign.run(mutants)
    write(results, options.out)
    if options.write:
        results_table.put(HERE / "README.md", by_room(results), tested)
    print("\n" + table_of(results))
    for outcome in (SURVIVED, STALE):
        for result in results:
            if result.outcome == outcome:
                print(f"{outcome}: {result.mutant.room}: {result.mutant.name}")
    counts = Counter(result.outcome for result in results)
    if counts[NOT_RUN]:
        print(f"{counts[NOT_RUN]} were not run: the time was up")
    return 1 if counts[STALE] or share(counts) < options.least else 0


if __name__ == "__main__":
    sys.exit(main())
