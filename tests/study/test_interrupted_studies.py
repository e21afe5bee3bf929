"""What is done stays done: commands that are stopped, workers that die, clusters, URLs."""

from __future__ import annotations

import http.server
import json
import os
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from study_rig import TALLYMARK, Archive, Process, cluster_by_hand, comparable, rows_of, run

from tallymark.common.errors import StudyStopped
from tallymark.study import dask_task_runner as cluster


def wait_for_results(folder: Path, number: int, process: Process[bytes]) -> None:
    """Waits until some results are kept, and no longer than the command runs."""
    while len(list(folder.glob("results/*.parquet"))) < number:
        assert process.poll() is None, "the command ended before"
        time.sleep(0.01)


def start(*args: object) -> Process[bytes]:
    return Process([TALLYMARK, *map(str, args)])


def test_a_second_run_checks_nothing_again(archive: Archive) -> None:
    before = comparable(archive.rows)
    kept = {path: path.stat().st_mtime_ns for path in archive.results.glob("results/*")}
    data = json.loads(run("study", "check", archive.folder, "--plan", archive.plan, "--replace",
                          "--json", code=1).stdout)
    # All but what can't be read at all: that is tried again.
    with_content = [row for row in before if row["key"]]
    assert data["from_earlier_runs"] == len(with_content)
    assert comparable(archive.rows) == before
    assert {path: path.stat().st_mtime_ns for path in archive.results.glob("results/*")} == kept


def test_a_command_that_is_stopped_goes_on_there(
    archive: Archive, few: Path, tmp_path: Path, address: str
) -> None:
    out = tmp_path / "out"
    command = ("study", "check", few, "--plan", archive.plan, "--out", out, "--scheduler", address)
    process = start(*command)
    wait_for_results(out, 2, process)
    process.send_signal(signal.SIGINT)
    assert process.wait(60) == 130
    done = len(list(out.glob("results/*.parquet")))
    assert 2 <= done < 8
    assert not (out / "recordings.parquet").exists()
    data = json.loads(run(*command, "--json").stdout)
    assert data["from_earlier_runs"] == done
    places = ("recording", "log")
    assert comparable(rows_of(out), *places) == comparable(archive.rows[:8], *places)


def test_a_killed_command_leaves_no_half_result(few: Path, tmp_path: Path, address: str) -> None:
    out = tmp_path / "out"
    command = ("study", "check", few, "--out", out, "--scheduler", address)
    process = start(*command)
    wait_for_results(out, 2, process)
    process.kill()
    process.wait()
    (out / "results" / "0123.part").write_bytes(b"half")
    damaged = next(out.glob("results/*.parquet"))
    damaged.write_bytes(damaged.read_bytes()[:100])
    run(*command)
    assert not list(out.glob("results/*.part"))
    rows = rows_of(out)
    assert [row["status"] for row in rows] == ["checked"] * 8
    assert len(rows_of(out, "markers")) == sum(row["expected"] for row in rows)


def test_what_has_changed_is_checked_again_and_no_more(few: Path, address: str) -> None:
    command = ("study", "check", few, "--scheduler", address, "--json")
    first = json.loads(run(*command).stdout)
    assert first["from_earlier_runs"] == 0
    recordings = sorted(few.glob("sub-*/ses-*/eeg/*.edf"))
    shutil.copy(recordings[1], recordings[0])  # and so the log is another's
    refused = run(*command, code=2)
    assert json.loads(refused.stdout)["error"].endswith(
        "exists. Nothing was written; --replace overwrites it, or choose another name."
    )
    again = json.loads(run(*command, "--replace", code=1).stdout)
    assert again["from_earlier_runs"] == 7
    row = rows_of(few / "derivatives" / "tallymark")[0]
    # The recording of sub-00002 is there twice; what counts is where its own log is.
    assert (row["status"], row["identity"], row["counted"]) == ("copy", "foreign", False)
    other = json.loads(run(*command, "--first-bit", 1, "--replace").stdout)
    assert other["from_earlier_runs"] == 0  # other options, other results


def test_two_workers_by_hand_of_which_one_is_killed_give_the_same_table(
    archive: Archive, tmp_path: Path
) -> None:
    with cluster_by_hand(2) as (address, workers):
        process = start("study", "check", archive.folder, "--plan", archive.plan, "--out", tmp_path,
                        "--scheduler", address)
        wait_for_results(tmp_path, 10, process)
        workers[0].kill()
        assert process.wait(200) == 1
        assert workers[1].poll() is None
    assert comparable(rows_of(tmp_path)) == comparable(archive.rows)
    assert rows_of(tmp_path, "markers") == rows_of(archive.results, "markers")


def _die_of(task: str) -> str:
    if task == "deadly":
        os._exit(1)
    return task


def test_what_kills_its_workers_is_named_and_the_rest_is_done() -> None:
    told: dict[str, object] = {}
    with cluster.client(workers=2) as connected:
        tasks = ["a", "deadly", "b", "c"]
        cluster.run(connected, _die_of, tasks,
                    lambda task, result, error: told.setdefault(task, error or result))
    assert told.keys() == {"a", "deadly", "b", "c"}
    assert cluster.lost_worker(told["deadly"])  # type: ignore[arg-type]
    assert [told[task] for task in "abc"] == ["a", "b", "c"]


class _Taken:
    """A result that a worker took along, and a cluster without another one to make it again."""

    status = "finished"
    looks = 0

    def result(self, timeout: float) -> None:
        self.looks += 1
        raise TimeoutError(f"nothing in {timeout} s")


class _Deserted:
    status = "running"

    def nthreads(self) -> dict[str, int]:
        return {}


def test_a_result_that_nobody_can_make_again_is_not_waited_for_for_ever() -> None:
    taken = _Taken()
    with pytest.raises(StudyStopped, match="no worker for two minutes"):
        cluster._gathered(_Deserted(), taken)
    assert taken.looks == cluster.NOBODY_S / cluster.LOOK_S
    taken.status = "error"  # the task itself ended with it
    assert isinstance(cluster._gathered(_Deserted(), taken)[1], TimeoutError)


def _of_which_one_fails(number: int) -> int:
    if number == 57:
        raise ValueError(str(number))
    return number


def test_short_tasks_go_together_and_one_that_fails_takes_none_along() -> None:
    told: list[tuple[int, object]] = []
    with cluster.client(workers=1) as connected:
        submitted = []

        class Counting:
            def __getattr__(self, name: str) -> object:
                return getattr(connected, name)

            def submit(self, *args: object, **options: object) -> object:
                submitted.append(args)
                return connected.submit(*args, **options)

        cluster.run(Counting(), _of_which_one_fails, range(200),
                    lambda task, result, error: told.append((task, error or result)))
    assert sorted(task for task, _ in told) == list(range(200))
    failed = {task: found for task, found in told if isinstance(found, Exception)}
    assert {task: str(error) for task, error in failed.items()} == {57: "57"}
    assert all(found == task for task, found in told if task not in failed)
    assert len(submitted) < 60


def _allowed(_task: int) -> list[str | None]:
    return [os.environ.get(f"MALLOC_{name}_THRESHOLD_") for name in ("MMAP", "TRIM")]


def test_workers_may_keep_the_memory_of_arrays() -> None:
    told: list[object] = []
    with cluster.client(workers=1) as connected:
        cluster.run(connected, _allowed, [0], lambda task, result, error: told.append(result))
    assert told == [[str(32 << 20), str(64 << 20)]]


def test_a_scheduler_that_is_not_there_is_said(few: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = run("study", "check", few, "--out", out, "--scheduler", "tcp://127.0.0.1:9", code=2)
    assert "no dask scheduler answers there" in done.stderr


class _Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *args: object) -> None:
        pass


@pytest.fixture
def server(few: Path) -> Iterator[str]:
    """The folder `few` by HTTP, as an object store would have it."""
    handler = partial(_Quiet, directory=str(few))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as serving:
        thread = threading.Thread(target=serving.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{serving.server_port}"
        serving.shutdown()


def test_files_by_url_give_the_same_results(
    server: str, few: Path, tmp_path: Path, address: str
) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    (few / "sub-00003" / "ses-01" / "eeg" / "sub-00003_ses-01_task-ferry_run-1_eeg.edf").unlink()
    on = ("--scheduler", address)
    run("study", "check", few, "--out", here, *on)
    run("study", "check", server, "--out", there, *on)
    places = ("recording", "log")
    assert comparable(rows_of(here), *places) == comparable(rows_of(there), *places)
    assert all(row["recording"].startswith(server) for row in rows_of(there) if row["recording"])
    table = tmp_path / "pairs.tsv"
    rows = rows_of(there)
    table.write_text("recording\tlog\tsite\n" + "".join(
        f"{row['recording']}\t{row['log']}\tLock\n" for row in rows if row["recording"]))
    run("study", "check", table, "--out", tmp_path / "table", *on)
    by_table = rows_of(tmp_path / "table")
    assert [row["arrived"] for row in by_table] == [row["arrived"] for row in rows
                                                    if row["recording"]]
    assert {row["site"] for row in by_table} == {"Lock"}
    (few / "sub-00001" / "ses-01" / "eeg" / "sub-00001_ses-01_task-ferry_run-1_eeg.edf").unlink()
    run("study", "check", table, "--out", tmp_path / "table", "--replace", *on, code=1)
    gone = rows_of(tmp_path / "table")[0]
    assert (gone["status"], gone["counted"]) == ("failed", False)
    assert "can't be read" in gone["problem"]
