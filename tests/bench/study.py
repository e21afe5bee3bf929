"""The check of a study: two workers beside one, what a recording costs beside its own check, and
cost against the number of recordings.

    python tests/bench/study.py                          the figures of `make bench`
    python tests/bench/study.py --archive 1000           an archive with planted faults instead
    python tests/bench/study.py --line 5000              up to 5,000 small recordings instead

The baseline of the overhead is the same check called in a loop in this process, which keeps
nothing; the study's side writes each result into a file. Times are those of a machine that may be
busy with other things; its load is printed beside them.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from result_table import Figure, show

from tallymark.plan import load
from tallymark.study import CheckOptions, check_study, find, summarised, write_results
from tallymark.study import dask_task_runner as cluster
from tallymark.study.one_recording import Task, check_recording, version
from tallymark.study.practice import make_archive
from tallymark.study.result_file import Checked, check_to_file
from tallymark.study.result_store import ResultStore

ROUNDS = 3
LENGTHS = ((1_200, "30 min", 24), (100, "2.5 min", 96))
"""Markers of a recording, how long it is, and how many are checked: usual ones, and such short ones
that what goes on beside their check weighs most."""


def tasks_of(folder: Path) -> list[Task]:
    """The tasks of a study."""
    pairs = [pair for pair in find(str(folder)).pairs if not pair.problem]
    return [Task(pair, CheckOptions(), version()) for pair in pairs]


def in_a_loop(tasks: list[Task]) -> tuple[float, float]:
    """Seconds of checking in this process, and those of processors."""
    began, used = time.perf_counter(), time.process_time()
    for task in tasks:
        check_recording(task)
    return time.perf_counter() - began, time.process_time() - used


def on_workers(tasks: list[Task], workers: int) -> tuple[float, float]:
    """Seconds of checking on a cluster that is warm, and those of processors: of workers, and of
    this process, which holds client and scheduler and keeps the results."""
    with (
        tempfile.TemporaryDirectory() as scratch,
        cluster.client(workers=workers) as connected,
    ):
        store = ResultStore(Path(scratch) / "results")
        cluster.run(connected, check_to_file, tasks[: 4 * workers], lambda *_: None)

        def done(_task: Task, result: Checked | None, _error: BaseException | None) -> None:
            assert result is not None
            store.put(result)

        def used() -> float:
            return sum(connected.run(time.process_time).values()) + time.process_time()

        began, before = time.perf_counter(), used()
        cluster.run(connected, check_to_file, tasks, done)
        return time.perf_counter() - began, used() - before


def figures() -> list[Figure]:
    """Two workers beside one, and one worker beside a loop, by turns."""
    found = [figure for length in LENGTHS for figure in of_length(*length)]
    print(f"load of the machine at the end: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    return found


def of_length(markers: int, lasts: str, recordings: int) -> list[Figure]:
    """The figures for so many recordings of that length."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "ferry"
        make_archive(folder, recordings, markers=markers, faults=False, damages=False, workers=2)
        tasks = tasks_of(folder)
        in_a_loop(tasks[:3])
        loop, one, two = [], [], []
        for _ in range(ROUNDS):
            loop.append(in_a_loop(tasks))
            one.append(on_workers(tasks, 1))
            two.append(on_workers(tasks, 2))
    least = {name: [min(each) for each in zip(*times, strict=True)]
             for name, times in (("loop", loop), ("one", one), ("two", two))}
    each, what = 1e3 / recordings, f"a recording of {lasts}"
    return [
        Figure(f"study check, processor time of {what}, 1 worker", least["one"][1] * each, "ms",
               "the same check in a loop", least["loop"][1] * each, "1.05 at most"),
        Figure(f"study check, {what}, 1 worker", least["one"][0] * each, "ms",
               "the same check in a loop", least["loop"][0] * each),
        Figure(f"study check, {what}, 2 workers", least["two"][0] * each, "ms",
               "1 worker", least["one"][0] * each, "0.59 at most, on two idle cores"),
    ]


def whole_archive(count: int, folder: Path) -> dict[str, Any]:
    """Make an archive with planted faults, check it, and compare with truth and single checks."""
    began = time.perf_counter()
    truth = make_archive(folder / "ferry", count, markers=100, workers=2)
    told: dict[str, Any] = {"recordings": count, "made_s": time.perf_counter() - began}
    began = time.perf_counter()
    plan = load(folder / "ferry" / "sourcedata" / "plan.toml")
    study = check_study(str(folder / "ferry"), folder / "out", plan=plan, workers=2)
    told["checked_s"] = time.perf_counter() - began
    began = time.perf_counter()
    summary = summarised(study)
    told["summary_s"] = time.perf_counter() - began
    began = time.perf_counter()
    write_results(summary, folder / "out")
    told["written_s"] = time.perf_counter() - began
    told["client_peak_MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    told["workers_peak_MB"] = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    told["counts"] = dict(study.counts)
    told["findings"] = summary.findings
    told["planted"] = truth["faults"]
    rows = {row["name"]: row for row in study.rows}
    different = wrong = 0
    for task in tasks_of(folder / "ferry"):
        single = check_recording(replace(task, plan=plan))
        row = rows[task.pair.name]
        keys = set(single.row) - {"check_s", "box", "date", "status", "problem", "counted"}
        different += any(single.row[key] != row[key] for key in keys)
        planted = truth["recordings"].get(task.pair.name.replace(".txt", ".edf"))
        if row["counted"] and planted is not None:
            wrong += row["missed"] != len(planted["missed"])
            wrong += row["altered"] != len(planted["altered"])
    told["rows_unlike_single_checks"] = different
    told["rows_unlike_the_truth"] = wrong
    began = time.perf_counter()
    again = check_study(str(folder / "ferry"), folder / "out", plan=plan, workers=2)
    told["second_run_s"], told["second_run_known"] = time.perf_counter() - began, again.known
    return told


def line(most: int, folder: Path) -> None:
    """Seconds, processor seconds and the client's memory against the number of small recordings,
    all of other content; and how far the processor seconds are from a straight line."""
    source = folder / "some"
    make_archive(source, 100, markers=15, faults=False, damages=False, workers=2)
    pairs = find(str(source)).pairs
    counts, seconds = [], []
    for count in (most // 8, most // 4, most // 2, most):
        study = folder / f"study{count}"
        study.mkdir()
        for number in range(count):
            pair = pairs[number % len(pairs)]
            text = bytearray(Path(pair.recording or "").read_bytes())
            text[88:96] = b"X%07d" % number  # the participant's field: another content
            (study / f"r{number:05d}.edf").write_bytes(text)
            shutil.copy(pair.log or "", study / f"r{number:05d}.jsonl")
        began, before = time.perf_counter(), _processor_s()
        done = check_study(str(study), folder / f"out{count}", workers=2)
        write_results(summarised(done), folder / f"out{count}")
        took, used = time.perf_counter() - began, _processor_s() - before
        assert done.counts == {"checked": count}
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        counts.append(count)
        seconds.append(used)
        print(f"{count:6,} recordings: {took:7.1f} s, of processors {used:7.1f} s, that is "
              f"{1e3 * used / count:.1f} ms each, client at most {peak:.0f} MB, load "
              f"{os.getloadavg()[0]:.1f}", flush=True)
        shutil.rmtree(study)
    slope, start = np.polyfit(counts, seconds, 1)
    off = np.abs(np.polyval((slope, start), counts) - seconds) / seconds
    print(f"straight line: {start:.1f} s and {1e3 * slope:.1f} ms a recording, of processors; "
          f"off by {100 * off.max():.1f} % at most")


def _processor_s() -> float:
    """Processor seconds of this process, and of its workers that have ended."""
    return sum(usage.ru_utime + usage.ru_stime for usage in map(
        resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--archive", type=int, metavar="RECORDINGS")
    parser.add_argument("--line", type=int, metavar="RECORDINGS")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        if args.archive:
            print(json.dumps(whole_archive(args.archive, Path(scratch)), indent=1))
        elif args.line:
            line(args.line, Path(scratch))
        else:
            show(figures())


if __name__ == "__main__":
    main()
