"""After the session: recordings and marker logs that a window brings, and the reports of the check.

What is brought is data: it is written into a folder of its own under a name that holds no path, is
limited in size and number, and goes away with the server. The check runs as a process of its own at
low priority, so that it delays no marker.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tallymark.common.errors import BadValue
from tallymark.markerlog import begins_as_log

FILE_MOST = 2**30
"""Bytes of one file."""
FILES_MOST = 60
BATCHES_KEPT = 4
THIS_SESSION = ""
"""Stands for the log that this page writes."""
_DISK_KEPT = 500_000_000
"""Bytes of disk that stay free: the marker log may be on the same one."""
_LOOK_EVERY = 8_000_000
_CHECK_S = 900
_NAME = re.compile(r"\w[\w .()+=-]{0,119}")
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
_RECORDINGS = (".edf", ".bdf", ".vhdr", ".ahdr", ".xdf", ".tsv", ".csv", ".txt")


def safe_name(name: str) -> str:
    """A file's name as it may be used. BadValue for one that could be a path or a device."""
    if not _NAME.fullmatch(name) or name.endswith((".", " ")) or _DEVICES.fullmatch(name):
        raise BadValue(
            f"'{name[:60]}' can't be the name of a file here. It was not taken. Rename it: "
            "letters, digits, spaces and . _ - ( ) + = only."
        )
    return name


@dataclass
class Batch:
    """Files that belong together, in a folder of their own."""

    folder: Path
    file_most: int
    names: list[str] = field(default_factory=list)

    async def add(self, name: str, said: str | None, pieces: AsyncIterator[bytes]) -> None:
        """Takes a file. said: its size, as the window told it. BadValue if it is too large, or one
        too many; nothing of it is kept then."""
        path = self.folder / safe_name(name)
        if len(self.names) >= FILES_MOST:
            raise BadValue(f"No more than {FILES_MOST} files at once. {name} was not taken.")
        if name.lower() in (each.lower() for each in self.names):
            raise BadValue(f"There are two files {name}. The second was not taken.")
        if said is not None and said.isdecimal() and int(said[:20]) > self.file_most:
            raise self._too_large(name)
        self.names.append(name)  # before the first pause, so that nobody else takes it
        size, looked = 0, -_LOOK_EVERY
        try:
            with open(path, "xb") as file:
                async for piece in pieces:
                    size += len(piece)
                    if size > self.file_most:
                        raise self._too_large(name)
                    if size - looked > _LOOK_EVERY:
                        looked = size
                        if shutil.disk_usage(self.folder).free < _DISK_KEPT:
                            raise BadValue(f"The disk is almost full. {name} was not taken.")
                    file.write(piece)
        except BaseException:
            self.names.remove(name)
            path.unlink(missing_ok=True)
            raise

    def _too_large(self, name: str) -> BadValue:
        return BadValue(
            f"{name} is larger than {self.file_most >> 20} MiB. It was not taken. Use 'tallymark "
            "check' on the command line."
        )

    def logs(self) -> list[str]:
        """The marker logs among the files."""
        return [name for name in self.names if begins_as_log(self.folder / name)]

    def recordings(self) -> list[str]:
        """The files that are recordings by themselves; others belong to one of them."""
        logs = self.logs()
        return [
            name
            for name in self.names
            if name not in logs and Path(name).suffix.lower() in _RECORDINGS
        ]


class RecordingChecks:
    """Batches of files, and the reports made of them. plan_file: gives names to codes; it is copied
    now, so that all reports are of the same plan. file_most: see `FILE_MOST`."""

    def __init__(self, plan_file: Path | None, file_most: int = FILE_MOST) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="tallymark-"))
        self._plan_file: Path | None = None
        if plan_file is not None:
            self._plan_file = self._folder / "plan.toml"
            shutil.copyfile(plan_file, self._plan_file)
        self._file_most = file_most
        self._batches: dict[str, Batch] = {}
        self._reports: dict[str, Path] = {}

    def close(self) -> None:
        """Removes everything."""
        shutil.rmtree(self._folder, ignore_errors=True)

    def new(self) -> str:
        """A new batch; the oldest goes away if there are many. Returns its name."""
        while len(self._batches) >= BATCHES_KEPT:
            oldest = next(iter(self._batches))
            shutil.rmtree(self._batches.pop(oldest).folder, ignore_errors=True)
        key = secrets.token_urlsafe(16)
        folder = self._folder / secrets.token_hex(8)
        folder.mkdir()
        self._batches[key] = Batch(folder, self._file_most)
        return key

    def batch(self, key: str) -> Batch:
        """A batch by its name. BadValue if there is none."""
        if key not in self._batches:
            raise BadValue("These files are not here any more. Choose them again.")
        return self._batches[key]

    def report(self, key: str) -> str | None:
        """The text of a report; None if there is none of that name."""
        path = self._reports.get(key)
        return None if path is None or not path.exists() else path.read_text(encoding="utf-8")

    def pairs(self, key: str, has_own_log: bool) -> dict[str, Any]:
        """Which recording goes with which log, as far as that can be told, for JSON."""
        batch = self.batch(key)
        logs, recordings = batch.logs(), batch.recordings()
        stems = {Path(name).stem.lower() for name in recordings}
        choices = [*logs, *([THIS_SESSION] if has_own_log else [])]
        return {
            "choices": choices,
            "recordings": [
                dict(zip(("recording", "log", "why"),
                         (name, *_log_of(name, logs, recordings, has_own_log)), strict=True))
                for name in recordings
            ],
            "other": [
                name
                for name in batch.names
                if name not in logs + recordings and Path(name).stem.lower() not in stems
            ],
        }

    def check(
        self, key: str, recording: str, log: str, own_log: Path | None, part: bool = False
    ) -> dict[str, Any]:
        """Checks a recording of a batch, for JSON. log: a name in the batch, or `THIS_SESSION`.
        part: it is meant to hold only a part of the session. Takes seconds to minutes."""
        batch = self.batch(key)
        path = own_log if log == THIS_SESSION else batch.folder / log
        if path is None or recording not in batch.recordings() or (
            log != THIS_SESSION and log not in batch.logs()
        ):
            raise BadValue("These files are not here any more. Choose them again.")
        report = batch.folder / f"{secrets.token_hex(8)}.html"
        command = [sys.executable, "-m", "tallymark.page.check_process",
                   str(batch.folder / recording), str(path), "--report", str(report)]
        if part:
            command.append("--part")
        if self._plan_file is not None:
            command += ["--plan", str(self._plan_file)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=_CHECK_S,
                                  encoding="utf-8", errors="replace", check=False)
        except subprocess.TimeoutExpired:
            return _not_checked("The check took too long. Use 'tallymark check' on the command "
                                "line.")
        try:
            found = json.loads(done.stdout)
        except ValueError:
            return _not_checked("The check ended without a result. Use 'tallymark check' on the "
                                "command line to see why.")
        if "error" in found:
            return _not_checked(str(found["error"]).replace(f"{batch.folder}{os.sep}", ""))
        if report.exists():
            found["report"] = secrets.token_urlsafe(16)
            self._reports[found["report"]] = report
        return dict(found)


def _not_checked(text: str) -> dict[str, Any]:
    return {"mood": "doubt", "title": "Could not be checked", "findings": [text], "counts": [],
            "report": None}


def _log_of(
    recording: str, logs: list[str], recordings: list[str], has_own_log: bool
) -> tuple[str | None, str]:
    """The log of a recording, and why that one; None if that can't be told."""
    stem = Path(recording).stem.lower()
    named = next((log for log in logs if Path(log).stem.lower() == stem), None)
    if named is not None:
        return named, "it is named like the recording"
    if not logs and has_own_log:
        return THIS_SESSION, "no other was brought"
    stems = {Path(name).stem.lower() for name in recordings}
    if len(logs) == 1 and Path(logs[0]).stem.lower() not in stems:
        return logs[0], "it is the only one that was brought"
    return None, ""
