"""The check of a whole study: finds its recordings, checks each once, and writes its tables."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tallymark.plan import Plan
from tallymark.study import dask_task_runner as cluster
from tallymark.study import local_and_remote_files as storage
from tallymark.study.one_recording import (
    Task,
    failure,
    fingerprint,
    key_of,
    version,
)
from tallymark.study.recording_discovery import Found, find
from tallymark.study.recording_pair import CheckOptions, Pair, StudyError
from tallymark.study.result_columns import RECORDINGS
from tallymark.study.result_file import Checked, check_to_file
from tallymark.study.result_store import ResultStore

Row = dict[str, Any]
Progress = Callable[[str, int, int], None]
MOST_LOGS = 20  # logs that are tried on a recording that its own doesn't fit


@dataclass
class Study:
    """A study that was checked. rows: one a recording, in order of name, each with all columns of
    `result_columns.RECORDINGS`. known: how many results were there from an earlier run."""

    place: str
    found: Found
    rows: list[Row]
    store: ResultStore
    known: int = 0
    counts: Counter[str] = field(default_factory=Counter)


def check_study(
    place: str,
    folder: Path,
    options: CheckOptions | None = None,
    plan: Plan | None = None,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Study:
    """Check all recordings of a study on a cluster; keep each result in `folder`/results.

    What has a result from an earlier run, of the same content, options and version, is not checked
    again.

    Args:
        place: path or URL of a folder, or of a table of pairs.
        plan: gives names to codes, as `--plan` of `tallymark check`.
        scheduler, workers: see `cluster.client`.
        progress: called with (what is done, recordings done, recordings in all).

    Raises:
        StudyError: the study can't be read, or dask is not there.
        StudyStopped: the cluster is gone; what is done is kept.
        NotWritten: a result can't be written.
    """
    options = options or CheckOptions()
    found = find(place, options)
    store = ResultStore(folder / "results")
    run = _Run(found.pairs, options, plan, store, progress or (lambda *_: None))
    if run.tasks:
        with cluster.client(scheduler, workers) as connected:
            run.check(connected)
            run.look_for_logs(connected)
    rows = [run.row(pair) for pair in found.pairs]
    _set_copies_apart(rows)
    counts = Counter(str(row["status"]) for row in rows)
    return Study(place, found, rows, store, run.known, counts)


class _Run:
    """The tasks of a study, and what came out of them, by name of the recording."""

    def __init__(
        self,
        pairs: list[Pair],
        options: CheckOptions,
        plan: Plan | None,
        store: ResultStore,
        progress: Progress,
    ) -> None:
        self.options, self.plan, self.store, self.progress = options, plan, store, progress
        self.tasks = [self._task(pair) for pair in pairs if not pair.problem]
        self.results: dict[str, Row] = {}
        self.log_of: dict[str, str] = {}
        self.known = 0
        self.orphans = [pair for pair in pairs if pair.recording is None and pair.log is not None]

    def _task(self, pair: Pair) -> Task:
        pair = replace(
            pair,
            recording=storage.absolute(pair.recording or ""),
            log=storage.absolute(pair.log or ""),
        )
        return Task(pair, pair.options or self.options, version(), self.plan)

    def check(self, connected: Any) -> None:
        """Check what has no result yet."""
        if len(self.store):
            self._take_known(connected)
        left = [task for task in self.tasks if task.pair.name not in self.results]
        total = len(self.tasks)

        def done(task: Task, result: Checked | None, error: BaseException | None) -> None:
            self.results[task.pair.name] = self._taken(result, error)
            self.progress("checking", len(self.results), total)

        self.progress("checking", len(self.results), total)
        cluster.run(connected, check_to_file, left, done)

    def _take_known(self, connected: Any) -> None:
        seen = 0

        def done(task: Task, key: str | None, error: BaseException | None) -> None:
            nonlocal seen
            seen += 1
            self.progress("looking for earlier results", seen, len(self.tasks))
            if isinstance(error, StudyError):
                raise error
            row = self.store.row(key) if key and key in self.store else None
            if row is not None:
                self.results[task.pair.name] = row
                self.known += 1

        cluster.run(connected, fingerprint, self.tasks, done)

    def _taken(self, result: Checked | None, error: BaseException | None) -> Row:
        if isinstance(error, StudyError):
            raise error
        if result is None:
            assert error is not None
            if cluster.lost_worker(error):
                return failure(
                    "Each worker that began with it died, perhaps for want of memory. Check it "
                    "alone, or give workers more memory."
                )
            return failure(f"Internal error of the check: {error!r}.")
        if result.file:
            self.store.put(result)
        return result.row

    def look_for_logs(self, connected: Any) -> None:
        """Try other logs on recordings that their own doesn't fit: those of other such recordings,
        and logs without one, nearest in date first."""
        foreign = [task for task in self.tasks
                   if self.results[task.pair.name].get("identity") == "foreign"]
        logs = [(task.pair.name, task.pair.log, self._date(task)) for task in foreign]
        logs += [(pair.name, storage.absolute(pair.log or ""), "") for pair in self.orphans]
        tries: dict[int, tuple[str, str]] = {}
        tasks = []
        for task in foreign:
            others = [log for log in logs if log[0] != task.pair.name]
            others.sort(key=lambda log: _apart(log[2], self._date(task)))
            for name, log, _ in others[:MOST_LOGS]:
                tried = replace(task, pair=replace(task.pair, log=log))
                row = self._known_row(tried, name)
                if row is None:
                    tasks.append(tried)
                    tries[id(tried)] = (task.pair.name, name)
                elif row.get("identity") == "own":
                    self.log_of[task.pair.name] = name

        def done(task: Task, result: Checked | None, error: BaseException | None) -> None:
            recording, name = tries[id(task)]
            if self._taken(result, error).get("identity") == "own":
                self.log_of[recording] = name

        cluster.run(connected, check_to_file, tasks, done)

    def _known_row(self, task: Task, log_of: str) -> Row | None:
        """The result of an earlier run for a recording with another's log."""
        own, other = self.results[task.pair.name], self.results.get(log_of, {})
        if not other.get("log_sha256"):
            return None
        key = key_of(task, own["recording_sha256"], other["log_sha256"])
        return self.store.row(key) if key in self.store else None

    def _date(self, task: Task) -> str:
        return task.pair.date or str(self.results[task.pair.name].get("date") or "")

    def row(self, pair: Pair) -> Row:
        """The row of a recording, with what is known of it beside its content."""
        row: Row = dict.fromkeys((column.name for column in RECORDINGS), None)
        row |= failure(pair.problem) if pair.problem else self.results[pair.name]
        for name in ("name", "recording", "log", "subject", "session", "task", "run", "site",
                     "amplifier"):
            row[name] = getattr(pair, name)
        row["box"] = pair.box or row["box"] or ""
        row["date"] = pair.date or row["date"] or ""
        row["log_of"] = self.log_of.get(pair.name, "")
        return row


def _apart(one: str, other: str) -> tuple[bool, float]:
    """How far two dates are from each other in days; what has none comes last."""
    from tallymark.study.dates import days

    a, b = days(one), days(other)
    return (True, 0.0) if a is None or b is None else (False, abs(a - b))


def _set_copies_apart(rows: list[Row]) -> None:
    """A recording that is there twice counts once: where its own log is, else the first."""
    same: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        if row["status"] == "checked" and row["recording_sha256"]:
            same[row["recording_sha256"]].append(row)
    for several in same.values():
        several.sort(key=lambda row: (row["identity"] == "foreign", row["name"]))
        for row in several[1:]:
            row |= {"status": "copy", "counted": False,
                    "problem": f"Its content is the same as that of {several[0]['name']}."}


def counted(rows: list[Row]) -> Iterator[Row]:
    """The rows whose markers count in rates."""
    return (row for row in rows if row["counted"])
