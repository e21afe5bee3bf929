"""A GNU Octave that runs the client for MATLAB, one piece of code after the other."""

from __future__ import annotations

import contextlib
import json
import queue
import subprocess
from pathlib import Path
from threading import Thread
from typing import Any

CLIENT = Path(__file__).parents[2] / "host" / "matlab"
END = "<<end>>"
PROBLEM = "<<problem>>"
PATIENCE_S = 200
"""Statements that take longer hang. A machine that is shared with much else needs tens of seconds
for some thousand markers."""

STARTUP = f"""
addpath('{CLIENT}', '{CLIENT / "examples"}', '{Path(__file__).parent}');
warning('off', 'backtrace');
more off
"""


class OctaveError(Exception):
    """An error that the code raised: `identifier` and the message."""

    def __init__(self, identifier: str, message: str) -> None:
        super().__init__(message)
        self.identifier = identifier


class Octave:
    """A context manager. `warnings` holds those of the last `run`. is_in_step: whether all that was
    begun has come to its end, so that what is printed next belongs to what is run next."""

    def __init__(self) -> None:
        self.warnings: list[str] = []
        self.is_in_step = True
        self._process = subprocess.Popen(
            ["octave-cli", "--quiet", "--no-init-file"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )
        self._lines: queue.Queue[str | None] = queue.Queue()
        Thread(target=self._collect, daemon=True).start()
        self.run(STARTUP)

    def _collect(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line)
        self._lines.put(None)

    def start(self, code: str) -> None:
        """Begins to run statements; `finish` has to follow."""
        self.is_in_step = False
        assert self._process.stdin is not None
        self._process.stdin.write(
            f"try\n{code}\ncatch problem_\nprintf('%s%s\\n%s\\n', '{PROBLEM}', "
            f"problem_.identifier, problem_.message);\nend\n"
            f"fflush(stderr); printf('{END}\\n'); fflush(stdout);\n"
        )
        self._process.stdin.flush()

    def finish(self, timeout: float = PATIENCE_S) -> str:
        """What the statements printed. Raises OctaveError if they raised an error."""
        lines: list[str] = []
        self.is_in_step = False
        while (line := self._lines.get(timeout=timeout)) is not None:
            if line.strip() == END:
                self.is_in_step = True
                break
            lines.append(line)
        else:
            raise AssertionError("Octave ended: " + "".join(lines))
        self.warnings = [line.strip() for line in lines if line.startswith("warning: ")]
        text = "".join(line for line in lines if not line.startswith("warning: "))
        if PROBLEM in text:
            identifier, _, message = text.partition(PROBLEM)[2].partition("\n")
            raise OctaveError(identifier, message.strip())
        return text

    def run(self, code: str, timeout: float = PATIENCE_S) -> str:
        """Runs statements; returns what they printed."""
        self.start(code)
        return self.finish(timeout)

    def value(self, expression: str) -> Any:
        """The value of an expression, by way of JSON; uint64 as numbers."""
        return json.loads(self.run(f"disp(jsonencode(plain_values({expression})));"))

    def __enter__(self) -> Octave:
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        if not self.is_in_step:
            self._process.kill()
        with contextlib.suppress(OSError):
            self._process.stdin.write("exit\n")
            self._process.stdin.close()
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
