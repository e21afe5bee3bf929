"""Copies of the checkout in which mutants are built and tested, kept for the next one.

What has not changed keeps its time stamp, so that the next build only does what is needed.
"""

from __future__ import annotations

import contextlib
import fcntl
import itertools
import os
import signal
import subprocess
from pathlib import Path
from typing import TextIO

ROOT = Path(__file__).resolve().parents[2]
SCRATCH = ROOT / "build" / "mutants"
SHARED = (
    ".venv",
    "build/firmware-tools",
    "build/platformio",
    "tests/pico/node_modules",
    "host/node/node_modules",
)
"""What copies have in common with the checkout: installed tools, which no mutant touches."""


def listed() -> set[str]:
    """Files of the checkout, new ones included, built ones not."""
    done = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    )
    names = {name for name in done.stdout.decode().split("\0") if name}
    return {name for name in names if (ROOT / name).is_file()}


def free_copy() -> ScratchCopy:
    """The first copy that no other run uses now."""
    SCRATCH.mkdir(parents=True, exist_ok=True)
    for number in itertools.count():
        lock = (SCRATCH / f"{number}.lock").open("w")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            lock.close()
        else:
            return ScratchCopy(SCRATCH / str(number), lock)
    raise AssertionError


class ScratchCopy:
    """One copy, at `folder`, for as long as the program runs that has locked it."""

    def __init__(self, folder: Path, lock: TextIO) -> None:
        self.folder = folder
        self._lock = lock
        self._copied = folder / "build" / "copied"

    def sync(self) -> None:
        """Makes the copy the same as the checkout; what was built in it stays."""
        names = listed()
        before = set(self._copied.read_text().split("\0")) if self._copied.exists() else set()
        for name in before - names:
            (self.folder / name).unlink(missing_ok=True)
        for name in names:
            content = (ROOT / name).read_bytes()
            target = self.folder / name
            if target.is_file() and target.read_bytes() == content:
                continue
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
            target.chmod((ROOT / name).stat().st_mode)
        for name in SHARED:
            link = self.folder / name
            if (ROOT / name).exists() and not link.exists():
                link.parent.mkdir(parents=True, exist_ok=True)
                link.symlink_to(ROOT / name)
        self._copied.parent.mkdir(exist_ok=True)
        self._copied.write_text("\0".join(sorted(names)))

    def run(self, command: str, timeout_s: float) -> tuple[int | None, str]:
        """Runs a shell command in the copy, without its time limit's leftovers.

        Returns exit status (None: it took longer than `timeout_s` seconds) and what it printed.
        """
        environment = os.environ | {
            "PYTHONPATH": str(self.folder / "host"),  # in front of what is installed
            "PYTHONDONTWRITEBYTECODE": "1",  # mutants of one second may have files of one size
        }
        process = subprocess.Popen(
            command,
            shell=True,
            cwd=self.folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            start_new_session=True,
        )
        try:
            printed, _ = process.communicate(timeout=timeout_s)
            return process.returncode, printed
        except subprocess.TimeoutExpired:
            return None, ""
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
