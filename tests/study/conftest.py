"""An archive for practice that the tests share, and its check."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

TALLYMARK = Path(sys.executable).with_name("tallymark")
Command = Callable[..., subprocess.CompletedProcess[str]]


def run(*args: object, code: int | None = None) -> subprocess.CompletedProcess[str]:
    """Runs the command line as a user does."""
    done = subprocess.run([TALLYMARK, *map(str, args)], capture_output=True, text=True, timeout=250)
    assert "Traceback" not in done.stderr, done.stderr
    if code is not None:
        assert done.returncode == code, done.stdout + done.stderr
    return done


def rows_of(folder: Path, name: str = "recordings") -> list[dict[str, Any]]:
    """The rows of a table of results."""
    return pq.read_table(folder / f"{name}.parquet").to_pylist()


def comparable(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows without what differs from run to run."""
    return [{key: value for key, value in row.items() if key != "check_s"} for row in rows]


class Archive:
    """An archive with planted faults, its truth, and where its results are."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        text = folder.with_name(f"{folder.name}-truth.json").read_text()
        self.truth: dict[str, Any] = json.loads(text)
        self.results = folder / "derivatives" / "tallymark"


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """60 recordings with all planted faults and damages, checked once."""
    folder = tmp_path_factory.mktemp("archive") / "ferry"
    run("study", "practice", folder, "--recordings", 60, "--markers", 120, code=0)
    made = Archive(folder)
    before = fingerprints(folder)
    done = run("study", "check", folder, "--tsv", code=1)
    assert fingerprints(folder) == before  # originals are never touched
    made.output = done.stdout  # type: ignore[attr-defined]
    return made


def fingerprints(folder: Path) -> dict[str, tuple[int, int]]:
    """Size and time of change of each file, without results."""
    return {
        str(path): (path.lstat().st_size, path.lstat().st_mtime_ns)
        for parent, folders, files in os.walk(folder)
        if "derivatives" not in Path(parent).parts and (folders or True)
        for path in (Path(parent) / name for name in files)
    }


@pytest.fixture
def few(archive: Archive, tmp_path: Path) -> Path:
    """A copy of eight recordings of the archive."""
    folder = tmp_path / "few"
    for number in range(1, 9):
        subject = f"sub-{number:05d}"
        shutil.copytree(archive.folder / subject, folder / subject, symlinks=True)
        shutil.copytree(archive.folder / "sourcedata" / subject, folder / "sourcedata" / subject)
    shutil.copy(archive.folder / "dataset_description.json", folder)
    return folder


@contextmanager
def cluster_by_hand(workers: int) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler and workers as processes of their own; their address, and the workers."""
    from distributed.comm import get_address_host  # noqa: F401 - so that a missing package is told

    with ExitStack() as stack:

        def start(*args: str) -> subprocess.Popen[bytes]:
            process = subprocess.Popen(
                [sys.executable, "-m", "distributed.cli." + args[0], *args[1:]],
                stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            )
            stack.callback(process.wait)
            stack.callback(process.kill)
            return process

        scheduler = start("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
        address = ""
        assert scheduler.stderr is not None
        for line in scheduler.stderr:
            if b"Scheduler at:" in line:
                address = line.decode().split()[-1]
                break
        assert address.startswith("tcp://"), "the scheduler did not start"
        processes = [
            start("dask_worker", address, "--no-nanny", "--nthreads", "1", "--no-dashboard")
            for _ in range(workers)
        ]
        yield address, processes
