"""A real `tallymark bridge` in a process of its own, and a served virtual box whose edges are
collected."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread
from typing import Any

from tallymark.box.wire.answer_values import Edge
from tallymark.markerlog import LogData, read
from tallymark.virtual import Server, VirtualBox

PATIENCE_S = 30.0
TALLYMARK = [sys.executable, "-c", "from tallymark.cli import main; main()"]


def wait_for(ready: Callable[[], object], what: str = "it", patience_s: float = PATIENCE_S) -> None:
    """Waits until a condition holds; fails after a time limit."""
    end = time.monotonic() + patience_s
    while not ready():
        assert time.monotonic() < end, f"{what} did not happen in time"
        time.sleep(0.005)


def horn_plan(folder: Path) -> Path:
    """A plan of one event, 1 ms wide."""
    path = folder / "plan.toml"
    path.write_text(
        'name = "Ferry"\n[session]\nwidth_us = 1000\n[[event]]\nname = "horn"\ncode = 36\n'
    )
    return path


class Running:
    """A bridge that runs. `port` is what programs open, `log` the path of its marker log.

    A context manager; what it printed is in `out` and `err` once it was ended.
    """

    def __init__(self, folder: Path, where: str, *args: object, pipe: bool = True) -> None:
        self.log = folder / "bridge.log"
        self.printed = folder / "printed"
        self.complained = folder / "complained"
        command = [*TALLYMARK, "bridge", self.log, "--box", where, "--json", *args]
        with open(self.printed, "w") as out, open(self.complained, "w") as err:
            self.process = subprocess.Popen(
                [str(part) for part in command],
                stdout=out,
                stderr=err,
                env={**os.environ, "XDG_STATE_HOME": str(folder / "state")},
                # The tests may run under nohup, which the bridge would inherit.
                preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_DFL),
            )
        wait_for(lambda: self.lines or self.process.poll() is not None, "the bridge's start")
        assert self.process.poll() is None, self.err
        self.port: str = self.lines[0]["port"]

    @property
    def lines(self) -> list[dict[str, Any]]:
        """The JSON lines that it has printed."""
        whole, _, _ = self.printed.read_text().rpartition("\n")
        return [json.loads(line) for line in whole.splitlines()]

    @property
    def err(self) -> str:
        """Its error output."""
        return self.complained.read_text()

    @property
    def notes(self) -> str:
        """The texts of its messages."""
        return "\n".join(line["note"] for line in self.lines if "note" in line)

    @property
    def bytes(self) -> list[dict[str, Any]]:
        """The bytes that it has displayed."""
        return [line for line in self.lines if "code" in line]

    def end(self, by: signal.Signals = signal.SIGINT) -> int:
        """Ends it as Ctrl-C does; returns its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(by)
        code = self.process.wait(PATIENCE_S)
        assert "Traceback" not in self.err
        return code

    def freeze(self) -> None:
        """Suspends it until it gets SIGCONT."""
        self.process.send_signal(signal.SIGSTOP)
        status = Path(f"/proc/{self.process.pid}/stat")
        wait_for(lambda: status.read_text().split()[2] == "T")

    def logged(self) -> LogData:
        """Its marker log."""
        return read(self.log)

    def says(self, text: str) -> None:
        """Waits for a message."""
        wait_for(lambda: text in self.notes, f"'{text}'")

    def shows(self, count: int) -> None:
        """Waits until that many bytes are displayed."""
        wait_for(lambda: len(self.bytes) >= count, f"byte {count}")

    def __enter__(self) -> Running:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


Start = Callable[..., Running]
"""Starts `tallymark bridge` on the box of a test."""


class WatchedBox:
    """A served virtual box; `levels` are those its lines had, one after the other, from the start.

    A context manager."""

    def __init__(self, *, tcp: bool = False) -> None:
        self.device = VirtualBox()
        self.server = Server(self.device, tcp=tcp)
        self.where = self.server.where
        self.edges: list[Edge] = []
        self._over = Event()
        self._thread = Thread(target=self._collect, daemon=True)

    def _collect(self) -> None:
        while not self._over.wait(0.05):
            self.edges += self.device.edges()

    @property
    def levels(self) -> list[int]:
        return [edge.levels for edge in self.edges]

    def __enter__(self) -> WatchedBox:
        self.server.start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.stop()
        self.stop()

    def stop(self) -> None:
        """Takes the last edges. May be called twice."""
        self._over.set()
        self._thread.join()
        self.edges += self.device.edges()
