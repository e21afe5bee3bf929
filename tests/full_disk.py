"""A disk that is really full, and free again: the system lets no file of a process grow beyond a
limit (RLIMIT_FSIZE), which a test may move. Python ignores the signal that goes with it, so that
the program sees what it sees on a full disk: writes that take a part of a record, then none."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

TOOL = (sys.executable, "-c", "from tallymark.cli import main; main()")
FREE = resource.RLIM_INFINITY


def fill(pid: int, file: Path, room: int) -> None:
    """From now on the file takes so many more bytes, and no other file grows beyond that size."""
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (file.stat().st_size + room, FREE))


def free(pid: int) -> None:
    """There is room again."""
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (FREE, FREE))


def wait_for(ready: Callable[[], object]) -> None:
    """Waits until a condition holds; fails after a time limit."""
    end = time.monotonic() + 30
    while not ready():
        assert time.monotonic() < end
        time.sleep(0.02)


class Tool:
    """A command in a process of its own, whose output goes through pipes."""

    def __init__(self, file: Path, *args: object) -> None:
        self.file = file
        self.process = subprocess.Popen(
            [*TOOL, *map(str, args)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env={**os.environ, "XDG_STATE_HOME": str(file.parent / "state")},
        )

    def end(self) -> tuple[int, str, str]:
        """Ends it by Ctrl-C; returns exit code, output and errors."""
        self.process.send_signal(signal.SIGINT)
        out, err = self.process.communicate(timeout=30)
        return self.process.returncode, out, err


def records(file: Path) -> list[dict[str, Any]]:
    """The lines of a log that are whole, read with nothing but JSON."""
    found = []
    for line in file.read_bytes().split(b"\n")[:-1]:
        try:
            found.append(json.loads(line))
        except ValueError:
            found.append({"cut": line.decode(errors="replace")})
    return found
