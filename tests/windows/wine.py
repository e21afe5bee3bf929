"""Runs programs for Windows in Wine, in a folder of their own."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

PATIENCE_S = 120.0
Ran = subprocess.CompletedProcess[str]
SETTINGS = (
    (r"HKCU\Software\Wine", "Version", "REG_SZ", "win10"),  # 3.9 and later refuse Windows 7
    (r"HKCU\Software\Wine\WineDbg", "ShowCrashDialog", "REG_DWORD", "0"),
)


def wait_for(ready: Callable[[], object], what: str) -> None:
    """Waits until a condition holds; fails after a time limit with what did not happen."""
    end = time.monotonic() + PATIENCE_S
    while not ready():
        assert time.monotonic() < end, what
        time.sleep(0.02)


class Wine:
    """Wine with its folder of settings in `folder`/prefix, and the Python in `folder`/python.

    A context manager: the server of Wine stays for as long as it is entered, so that a program
    starts in half a second. Streams of programs are always pipes: Python for Windows doesn't start
    with a file or /dev/null there.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.prefix = self.folder / "prefix"
        self.environment = {
            **{key: value for key, value in os.environ.items() if not key.startswith("PYTHON")},
            "WINEPREFIX": str(self.prefix),
            "WINEDEBUG": "-all",
            "WINEDLLOVERRIDES": "bcryptprimitives=n;mscoree,mshtml=;winemenubuilder.exe=d",
        }

    @staticmethod
    def path(path: Path) -> str:
        """How Windows' programs call a file of this computer."""
        return "Z:" + str(path.resolve()).replace("/", "\\")

    def popen(
        self, program: Path | str, *words: object, encoding: str = "utf-8",
        env: dict[str, str] | None = None, cwd: Path | None = None,
    ) -> subprocess.Popen[str]:
        """Starts a program, with pipes as its streams. env: what is added to the environment."""
        return subprocess.Popen(
            ["wine", str(program), *map(str, words)], env={**self.environment, **(env or {})},
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            encoding=encoding, errors="replace", cwd=cwd,
        )

    def run(self, program: Path | str, *words: object, timeout: float = 120, **more: Any) -> Ran:
        """Runs a program to its end."""
        process = self.popen(program, *words, **more)
        try:
            out, err = process.communicate(timeout=timeout)
        finally:
            process.kill()
        return subprocess.CompletedProcess(process.args, process.returncode, out, err)

    def python(self, *words: object, timeout: float = 120, **more: Any) -> Ran:
        """Runs the Python for Windows."""
        return self.run(self.folder / "python/python.exe", *words, timeout=timeout, **more)

    def tallymark(self, *words: object, timeout: float = 120, **more: Any) -> Ran:
        """Runs the command that pip has installed."""
        return self.run(
            self.folder / "python/Scripts/tallymark.exe", *words, timeout=timeout, **more
        )

    def port(self, number: int, path: str) -> str:
        """Gives a pseudo-terminal or serial port of this computer the name of a COM port."""
        link = self.prefix / "dosdevices" / f"com{number}"
        link.unlink(missing_ok=True)
        link.symlink_to(path)
        return f"COM{number}"

    def _alone(self, *command: str) -> None:
        # Services of Wine keep the streams with which the first program started: no pipe of ours.
        subprocess.run(command, env=self.environment, check=False, timeout=120,
                       stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                       stderr=subprocess.DEVNULL)

    def __enter__(self) -> Wine:
        new = not self.prefix.exists()
        self.prefix.mkdir(parents=True, exist_ok=True)
        self._alone("wineserver", "--persistent")
        if new:
            self._alone("wine", "wineboot", "--init")
            for key, name, kind, value in SETTINGS:
                self._alone("wine", "reg", "add", key, "/v", name, "/t", kind, "/d", value, "/f")
        self._alone("wine", "cmd", "/c", "exit")
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._alone("wineserver", "--kill")
