"""Archives, clusters and commands for the tests of whole studies."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

TALLYMARK = Path(sys.executable).with_name("tallymark")
Process = subprocess.Popen


def run(*args: object, code: int | None = None) -> subprocess.CompletedProcess[str]:
    """Runs the command line as a user does."""
    done = subprocess.run([TALLYMARK, *map(str, args)], capture_output=True, text=True, timeout=250)
    assert "Traceback" not in done.stdout + done.stderr, done.stderr
    if code is not None:
        assert done.returncode == code, done.stdout + done.stderr
    return done


def rows_of(folder: Path, name: str = "recordings") -> list[dict[str, Any]]:
    """The rows of a table of results."""
    return pq.read_table(folder / f"{name}.parquet").to_pylist()


def comparable(rows: list[dict[str, Any]], *without: str) -> list[dict[str, Any]]:
    """Rows without what differs from run to run."""
    return [{k: v for k, v in row.items() if k not in ("check_s", *without)} for row in rows]


class Archive:
    """An archive with planted faults, its truth, and where its results are."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        text = folder.with_name(f"{folder.name}-truth.json").read_text()
        self.truth: dict[str, Any] = json.loads(text)
        self.results = folder / "derivatives" / "tallymark"
        self.plan = folder / "sourcedata" / "plan.toml"

    @property
    def rows(self) -> list[dict[str, Any]]:
        """A row a recording."""
        return rows_of(self.results)

    @property
    def summary(self) -> dict[str, Any]:
        """What study.json says."""
        return json.loads((self.results / "study.json").read_text())


def fingerprints(folder: Path) -> dict[str, tuple[int, int]]:
    """Size and time of change of each file, without results."""
    return {
        str(path): (path.lstat().st_size, path.lstat().st_mtime_ns)
        for parent, _, files in os.walk(folder)
        if "derivatives" not in Path(parent).parts
        for path in (Path(parent) / name for name in files)
    }


@contextmanager
def cluster_by_hand(workers: int) -> Iterator[tuple[str, list[Process[bytes]]]]:
    """A scheduler and workers as processes of their own; its address, and the workers."""
    with ExitStack() as stack:

        def start(program: str, *args: str) -> Process[bytes]:
            process = Process(
                [sys.executable, "-m", f"distributed.cli.{program}", *args],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE if program == "dask_scheduler" else subprocess.DEVNULL,
            )
            stack.callback(process.wait)
            stack.callback(process.kill)
            return process

        scheduler = start("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        assert scheduler.stderr is not None
        told = next((line for line in scheduler.stderr if b"Scheduler at:" in line), b"")
        address = told.decode().split()[-1]
        options = ("--no-nanny", "--nthreads", "1", "--no-dashboard")
        yield address, [start("dask_worker", address, *options) for _ in range(workers)]
