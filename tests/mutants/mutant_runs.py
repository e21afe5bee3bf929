"""Mutants on their way through a number of copies of the checkout."""

from __future__ import annotations

import queue
import re
import shlex
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from mutant_results import CAUGHT, EQUIVALENT, NOT_RUN, SLOW, STALE, SURVIVED
from mutant_table import Mutant, Tests
from scratch_copy import ScratchCopy, free_copy

FAILED = re.compile(r"^(?:FAILED|ERROR) (tests/.*?)(?: - .*)?$", re.MULTILINE)
INNER = re.compile(r"^(?:E +)?first failure: (.*)$", re.MULTILINE)
"""How a test that runs a program of tests names the one of them that failed."""
SEPARATOR = " > "


@dataclass(frozen=True)
class Outcome:
    """What became of a mutant, after `seconds` of building and testing. The first test that failed
    is `by`, or empty."""

    mutant: Mutant
    outcome: str
    by: str = ""
    seconds: float = 0.0


def failed_test(printed: str) -> str:
    """The test that failed, as pytest names it; empty where none did."""
    names = FAILED.findall(printed)
    if not names:
        return ""
    inner = INNER.findall(printed)
    return str(names[0]) + (SEPARATOR + inner[0] if inner else "")


def only(tests: Tests, found: Iterable[str]) -> Tests:
    """The command that runs these of a room's tests alone."""
    parts = [by.partition(SEPARATOR) for by in found]
    names = " ".join(sorted({shlex.quote(name) for name, _, _ in parts}))
    inner = shlex.quote("\n".join(sorted(inner for _, _, inner in parts if inner)))
    run = f".venv/bin/python -m pytest -x -q -p no:cacheprovider {names}"
    if inner != "''":
        run = f"TALLYMARK_FIRST_FAILURE=1 TALLYMARK_ONLY={inner} {run}"
    return replace(tests, run=run)


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


class Campaign:
    """Runs mutants in `jobs` copies, one thread each; begins none after so many `minutes`.

    `known` is the test that caught a mutant last time. `keep` is told each outcome, one at a time.
    """

    def __init__(
        self,
        jobs: int,
        minutes: float | None,
        known: Mapping[Mutant, str],
        keep: Callable[[Outcome], None],
    ) -> None:
        self._end = None if minutes is None else time.monotonic() + 60 * minutes
        self._known, self._keep = dict(known), keep
        self._copies: queue.SimpleQueue[ScratchCopy] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._passing: dict[Tests, bool] = {}
        self._alone: dict[Tests, threading.Lock] = {}
        self._pool = ThreadPoolExecutor(jobs)
        self._done = 0
        for _ in range(jobs):
            copy = free_copy()
            copy.sync()
            self._copies.put(copy)

    @property
    def failing(self) -> bool:
        """Whether tests failed without any mutant."""
        return not all(self._passing.values())

    def run(self, mutants: list[Mutant]) -> list[Outcome]:
        """The outcomes, in the order of the mutants."""
        known: dict[Tests, set[str]] = {}
        for mutant in mutants:
            if mutant in self._known:
                known.setdefault(mutant.tests, set()).add(self._known[mutant])
        passing = list(self._pool.map(self._only_pass, known, known.values()))
        useful = {tests for tests, passes in zip(known, passing, strict=True) if passes}
        self._known = {m: by for m, by in self._known.items() if m.tests in useful}
        return list(self._pool.map(lambda mutant: self._one(mutant, len(mutants)), mutants))

    def _one(self, mutant: Mutant, total: int) -> Outcome:
        if mutant.equivalent is not None:
            return Outcome(mutant, EQUIVALENT)
        if self._end is not None and time.monotonic() > self._end:
            return Outcome(mutant, NOT_RUN)
        copy = self._copies.get()
        try:
            outcome = self._try(copy, mutant)
        finally:
            self._copies.put(copy)
        with self._lock:
            self._done += 1
            self._keep(outcome)
            print(
                f"{self._done:4}/{total}  {outcome.outcome:10} {outcome.seconds:5.1f} s  "
                f"{mutant.room}: {mutant.name}",
                flush=True,
            )
        return outcome

    def _try(self, copy: ScratchCopy, mutant: Mutant) -> Outcome:
        """Tries the test that caught it last time, then all of its tests."""
        begin = time.monotonic()
        found = NOT_RUN, ""
        by = self._known.get(mutant)
        try:
            if by is not None:
                found = self._with(copy, mutant, only(mutant.tests, [by]))
            if found[0] not in (CAUGHT, SLOW) and self._passes(copy, mutant.tests):
                found = self._with(copy, mutant, mutant.tests)
        except (ValueError, OSError):
            return Outcome(mutant, STALE)
        outcome, printed = found
        return Outcome(mutant, outcome, failed_test(printed), time.monotonic() - begin)

    def _with(self, copy: ScratchCopy, mutant: Mutant, tests: Tests) -> tuple[str, str]:
        """Puts the mutant in, tests, and takes it out again. ValueError or OSError for a row that
        doesn't fit."""
        path = copy.folder / mutant.file
        text = path.read_text(encoding="utf-8")
        bad = mutant.apply(text)
        try:
            path.write_text(bad, encoding="utf-8")
            return test(copy, tests)
        finally:
            path.write_text(text, encoding="utf-8")

    def _only_pass(self, tests: Tests, found: set[str]) -> bool:
        """Whether the tests that caught bugs last time pass without any."""
        copy = self._copies.get()
        try:
            return test(copy, only(tests, found))[0] == SURVIVED
        finally:
            self._copies.put(copy)

    def _passes(self, copy: ScratchCopy, tests: Tests) -> bool:
        """Whether all tests of a room pass without any mutant; tried once."""
        with self._lock:
            alone = self._alone.setdefault(tests, threading.Lock())
        with alone:
            if tests not in self._passing:
                outcome, printed = test(copy, tests)
                self._passing[tests] = outcome == SURVIVED
                if outcome != SURVIVED:
                    print(f"The tests '{tests.run}' fail without any mutant ({outcome}):")
                    print(printed[-3000:], flush=True)
            return self._passing[tests]
