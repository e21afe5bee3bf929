"""A real `tallymark page` in a process of its own, and a window of it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
FERRY = ROOT / "host/examples/ferry/plan.toml"
PATIENCE_S = 30.0
TALLYMARK = [sys.executable, "-c", "from tallymark.cli import main; main()"]


def wait_for(ready: Callable[[], object], what: str) -> None:
    """Waits until a condition holds; fails after a time limit."""
    end = time.monotonic() + PATIENCE_S
    while not ready():
        assert time.monotonic() < end, f"{what} did not happen in time"
        time.sleep(0.02)


class Running:
    """A page that runs. `address` is what a person opens, `byte_port` what programs open.

    where: the box; empty: none is named. has_box: whether there is one when it starts."""

    def __init__(
        self,
        folder: Path,
        where: str,
        *args: object,
        log: bool = True,
        program: Sequence[str] = TALLYMARK,
        has_box: bool = True,
    ) -> None:
        self.before = 0
        self.log = folder / "session.log"
        self.printed = folder / "printed"
        self.complained = folder / "complained"
        command = [*program, "page", *([self.log] if log else []),
                   *(["--box", where] if where else []), *args]
        with open(self.printed, "w") as out, open(self.complained, "w") as err:
            self.process = subprocess.Popen(
                [str(part) for part in command],
                stdout=out,
                stderr=err,
                env={**os.environ, "XDG_CONFIG_HOME": str(folder / "config")},
            )
        try:
            wait_for(
                lambda: ("byte port is at" if has_box else "page is at") in self.printed.read_text()
                or self.process.poll() is not None,
                "the start of the page",
            )
        except BaseException:
            self.kill()
            raise
        assert self.process.poll() is None, self.complained.read_text()
        words = self.printed.read_text().split()
        self.address = next(word for word in words if word.startswith("http://"))
        self.base, self.token = self.address.split("/#")
        self.host = self.base.removeprefix("http://")
        _, _, ports = self.printed.read_text().partition("The byte port is at ")
        self.byte_port = ports.split("\n")[0]
        wait_for(lambda: self.get("/")[0] == 200, "an answer of the server")

    def get(
        self, path: str, body: object = None, headers: dict[str, str] | None = None
    ) -> tuple[int, str, dict[str, str]]:
        """Status, text and headers of a request without a browser."""
        data = None if body is None else (
            body if isinstance(body, bytes) else json.dumps(body).encode()
        )
        request = urllib.request.Request(self.base + path, data, headers or {})
        try:
            with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
                text = answer.read().decode()
                return answer.status, text, {k.lower(): v for k, v in answer.headers.items()}
        except urllib.error.HTTPError as error:
            return error.code, error.read().decode(), dict(error.headers)
        except urllib.error.URLError:
            return 0, "", {}

    def post(self, path: str, **body: Any) -> tuple[int, Any]:
        """Status and JSON of a request with the token."""
        body = {"id": os.urandom(8).hex(), "window": "test", **body}
        status, text, _ = self.get(path, body, {"x-tallymark-token": self.token})
        return status, json.loads(text)

    def records(self, kind: str) -> list[dict[str, Any]]:
        """The records of a kind in the marker log."""
        lines = [json.loads(line) for line in self.log.read_text().splitlines()]
        return [line for line in lines if kind in line]

    @property
    def sent(self) -> list[int]:
        """The codes that were sent, by the marker log."""
        return [record["code"] for record in self.records("sent")]

    @property
    def sent_now(self) -> list[int]:
        """Those of `sent` that came after the first `before`."""
        return self.sent[self.before :]

    def end(self, by: signal.Signals = signal.SIGINT) -> int:
        """Ends it as Ctrl-C does; returns its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(by)
        code = self.process.wait(PATIENCE_S)
        assert "Traceback" not in self.complained.read_text(), self.complained.read_text()
        return code

    def kill(self) -> None:
        """Without a chance to tell anybody."""
        self.process.kill()
        self.process.wait()
