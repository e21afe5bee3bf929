"""The marker log: what was sent, when, and what the box said of it.

A marker log is a text file of JSON Lines that only ever grows. Every line is written by a single
`write` to a descriptor opened for appending, before the program goes on, so that a program killed
at any instant leaves every earlier line whole. At most the last line is torn, and the reader says
so. Lines are told apart by their first key:

| first key        | meaning                                                                      |
| ---------------- | ---------------------------------------------------------------------------- |
| `marker_log`     | header: format version, box, settings, plan, start as wall time and host time |
| `sent`           | marker number, code, width, name, host time; written before the port gets it |
| `done`           | the box's answer to that number: box time of the edge, host time, its error   |
| `unconfirmed`    | no answer came for that number, and why                                      |
| `refused`        | the box refused that number, and why: the lines did not move                 |
| `byte`           | a byte that somebody else's program sent; `refused` says why it was no marker |
| `late`           | that number was a byte which may have waited before it was sent, how long    |
| `restart`        | the box restarted: box time begins again                                     |
| `end`            | the log was closed in good order                                             |

All times are whole microseconds. Box time counts from the box's start. Host time is the host's
monotonic clock; the header gives one instant on both that clock and the calendar. `error` is the
bound on how far the host time may be off.

MarkerLogError is a TallymarkError and an OSError: a log can't be written or read.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime, timezone
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from tallymark.errors import TallymarkError

if TYPE_CHECKING:
    from tallymark.box import Box
    from tallymark.plan import Plan

FORMAT_VERSION = 1


class MarkerLogError(TallymarkError, OSError):
    """A marker log can't be written or read; the message says which and what to do."""


def host_time_us() -> int:
    """The host's monotonic clock in microseconds, the clock of all host times in a log."""
    return time.perf_counter_ns() // 1000


class MarkerLog:
    """Writes a marker log. All methods may be called from any thread.

    No lock is taken on the way of a marker: each record is one `write` call on a descriptor opened
    with O_APPEND, which the system carries out as a whole.

    Args:
        path: the file; it must not exist yet, unless `append` is given.
        box: identity of the box (serial number, board, firmware version ...), as JSON data.
        settings: the box's settings, as JSON data.
        plan: name and digest of the plan, as JSON data, or None.
        append: add a new part, with its own header, to a log that exists.

    Raises:
        MarkerLogError: the file exists already, or can't be created or written.
    """

    def __init__(
        self,
        path: str | Path,
        box: Mapping[str, Any] | None = None,
        settings: Mapping[str, Any] | None = None,
        plan: Mapping[str, Any] | None = None,
        append: bool = False,
    ) -> None:
        self.path = Path(path)
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | (0 if append else os.O_EXCL)
        flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        try:
            self._descriptor = os.open(self.path, flags, 0o644)
        except FileExistsError as error:
            raise MarkerLogError(
                f"{self.path}: exists already, and a marker log is never overwritten. Choose "
                "another name, or ask for appending."
            ) from error
        except OSError as error:
            raise MarkerLogError(f"{self.path}: can't be created ({error.strerror}).") from error
        self._closing = threading.Lock()
        self._closed = False
        self._names: dict[str, str] = {}
        if append and _ends_torn(self.path):
            self._write(b"\n")  # keeps the torn line to itself
        header = {
            "marker_log": FORMAT_VERSION,
            "start": datetime.now(timezone.utc).isoformat(timespec="microseconds"),
            "host": host_time_us(),
            "box": dict(box or {}),
            "settings": dict(settings or {}),
            "plan": dict(plan) if plan is not None else None,
        }
        self._write(_line(header))

    @classmethod
    def for_box(cls, path: str | Path, box: Box, plan: Plan | None = None) -> MarkerLog:
        """Begin a log for a box: its identity and settings go into the header, and the box tells it
        of every marker from now on (`box.log`)."""
        who = box.identity
        identity = {
            "serial": who.serial,
            "name": who.name,
            "board": who.board,
            "firmware": who.firmware,
            "protocol": who.protocol,
        }
        settings = {
            name: value.name.lower() if isinstance(value, Enum) else value
            for name, value in asdict(box.settings.read()).items()
        }
        named = None if plan is None else {"name": plan.name, "digest": plan.digest}
        log = cls(path, identity, settings, named)
        box.log = log
        return log

    def sent(
        self,
        number: int,
        code: int,
        width_us: int | None = None,
        name: str | None = None,
        host_us: int | None = None,
    ) -> None:
        """Note a marker before it is handed to the port.

        Args:
            number: counts up within a log and joins the records of one marker.
            code: 0..255. width_us: None if none was given with the marker: the box takes
                that of its settings, or the code stays.
            name: event name, if sent by name. host_us: default now.
        """
        host = host_time_us() if host_us is None else host_us
        width = "" if width_us is None else f',"width":{width_us}'
        if name is None:
            label = ""
        else:
            label = self._names.get(name) or self._names.setdefault(
                name, f',"name":{json.dumps(name)}'
            )
        self._write(f'{{"sent":{number},"code":{code}{width}{label},"host":{host}}}\n'.encode())

    def answered(
        self,
        number: int,
        box_us: int,
        host_us: int,
        error_us: int,
        cut_us: int | None = None,
        delay_us: int | None = None,
    ) -> None:
        """Note the box's answer: box time of the edge, the same instant in host time with its error
        bound, the width at which an earlier pulse was cut, the delay that the gap caused."""
        cut = "" if cut_us is None else f',"cut":{cut_us}'
        delay = "" if not delay_us else f',"delay":{delay_us}'
        text = f'"done":{number},"box":{box_us},"host":{host_us},"error":{error_us}{cut}{delay}'
        self._write(f"{{{text}}}\n".encode())

    def unconfirmed(self, number: int, why: str) -> None:
        """Note that no answer came. A later `answered` or `refused` for the number overrides it."""
        self._write(_line({"unconfirmed": number, "why": why}))

    def refused(self, number: int, why: str) -> None:
        """Note that the box refused the marker: its lines did not move."""
        self._write(_line({"refused": number, "why": why}))

    def byte_marker(
        self,
        code: int,
        box_us: int | None,
        host_us: int,
        error_us: int = 0,
        width_us: int | None = None,
        cut_us: int | None = None,
        delay_us: int | None = None,
        refused: str | None = None,
    ) -> None:
        """Note a byte that somebody else's program sent (times as in `answered`).

        box_us: None for a byte that never got to the box. refused: why it was no marker.
        """
        record: dict[str, Any] = {"byte": code, "host": host_us}
        rest: dict[str, Any] = {"box": box_us, "error": error_us, "width": width_us, "cut": cut_us}
        rest |= {"delay": delay_us or None, "refused": refused}
        record |= {key: value for key, value in rest.items() if value is not None}
        self._write(_line(record))

    def late(self, number: int, most_us: int) -> None:
        """Note that the byte behind a marker may have waited that long before it was sent."""
        self._write(f'{{"late":{number},"most":{most_us}}}\n'.encode())

    def restarted(self, cause: str) -> None:
        """Note that the box restarted, so that its time begins again at 0."""
        self._write(_line({"restart": cause, "host": host_time_us()}))

    def sync(self) -> None:
        """Have the system write the log to the disk, against power loss. May take milliseconds."""
        os.fsync(self._descriptor)

    def close(self) -> None:
        """End the log. May be called twice."""
        with self._closing:
            if self._closed:
                return
            self._closed = True
            try:
                self._write(_line({"end": host_time_us()}))
                os.fsync(self._descriptor)
            finally:
                os.close(self._descriptor)

    def __enter__(self) -> MarkerLog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _write(self, line: bytes) -> None:
        try:
            written = os.write(self._descriptor, line)
        except OSError as error:
            raise MarkerLogError(
                f"{self.path}: can't be written ({error.strerror}). The marker log is incomplete "
                "from here on; free some space or choose another disk before you go on."
            ) from error
        if written != len(line):
            raise MarkerLogError(
                f"{self.path}: only part of a record could be written; the disk may be full. The "
                "marker log is incomplete from here on."
            )


def _line(record: Mapping[str, Any]) -> bytes:
    return json.dumps(record, separators=(",", ":"), ensure_ascii=False).encode() + b"\n"


def _ends_torn(path: Path) -> bool:
    with open(path, "rb") as file:
        if file.seek(0, os.SEEK_END) == 0:
            return False
        file.seek(-1, os.SEEK_END)
        return file.read(1) != b"\n"


# --------------------------------------------------------------------------------- reading


@dataclass(slots=True)
class LoggedMarker:
    """One marker of a log. Times in microseconds; None where they aren't known.

    fate: 'done', 'unconfirmed' (no answer: the box may have acted or not) or 'refused'.
    source: 'host' or 'byte' (came in on the byte input). late_us: how long at most the byte behind
    it waited before it was sent. part: counts box starts, from 0; box
    times of two parts can't be compared.
    """

    number: int
    code: int
    width_us: int | None = None
    name: str | None = None
    sent_host_us: int | None = None
    box_us: int | None = None
    host_us: int | None = None
    error_us: int | None = None
    fate: Literal["done", "unconfirmed", "refused"] = "unconfirmed"
    why: str = ""
    cut_us: int | None = None
    delay_us: int | None = None
    late_us: int | None = None
    source: Literal["host", "byte"] = "host"
    part: int = 0


@dataclass
class LogData:
    """A marker log as read.

    headers: one for each part of the file. ended: closed in good order. torn: the last line was
    cut off. bad_lines: numbers of other lines that could not be read.
    """

    path: Path
    headers: list[dict[str, Any]] = field(default_factory=list)
    markers: list[LoggedMarker] = field(default_factory=list)
    ended: bool = False
    torn: bool = False
    bad_lines: list[int] = field(default_factory=list)
    restarts: list[str] = field(default_factory=list)

    @property
    def header(self) -> dict[str, Any]:
        """The first header."""
        return self.headers[0]

    def notes(self) -> list[str]:
        """What a reader of results must know about the log, in sentences; empty if all is well."""
        notes = []
        if self.torn:
            notes.append("The log's last line is cut off: its program was killed while writing.")
        elif not self.ended:
            notes.append("The log was not closed: its program was killed or is still running.")
        if self.bad_lines:
            lines = ", ".join(map(str, self.bad_lines[:5]))
            notes.append(f"{len(self.bad_lines)} lines of the log can't be read (line {lines}).")
        if self.restarts:
            notes.append(f"The box restarted {len(self.restarts)} times during the log.")
        return notes


def read(path: str | Path) -> LogData:
    """Read a marker log and join its records to one entry a marker, in the order sent.

    Raises MarkerLogError if the file can't be opened or is no marker log of this version.
    """
    path = Path(path)
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise MarkerLogError(f"{path}: can't be opened ({error.strerror}).") from error
    lines = raw.split(b"\n")
    data = LogData(path, torn=bool(lines.pop()))
    _join(_parsed(lines, data), data)
    if not data.headers:
        raise MarkerLogError(
            f"{path}: is not a marker log (no header line). Name the file that was written while "
            "the markers were sent."
        )
    return data


def _parsed(lines: list[bytes], data: LogData) -> Iterable[dict[str, Any]]:
    try:  # one call for the whole file is several times faster than one for each line
        records = json.loads(b"[" + b",".join(lines) + b"]")
        if len(records) == len(lines) and all(type(record) is dict for record in records):
            yield from records
            return
    except ValueError:
        pass
    for number, line in enumerate(lines, 1):
        try:
            record = json.loads(line)
        except ValueError:
            record = None
        if isinstance(record, dict):
            yield record
        else:
            data.bad_lines.append(number)


def _join(records: Iterable[dict[str, Any]], data: LogData) -> None:
    by_number: dict[int, LoggedMarker] = {}
    part = -1
    for record in records:
        if "sent" in record:
            marker = LoggedMarker(
                record["sent"],
                record["code"],
                record.get("width"),
                record.get("name"),
                record["host"],
                part=part,
            )
            by_number[marker.number] = marker
            data.markers.append(marker)
        elif "done" in record and record["done"] in by_number:
            marker = by_number[record["done"]]
            marker.fate, marker.why = "done", ""
            marker.box_us, marker.host_us = record["box"], record["host"]
            marker.error_us = record["error"]
            marker.cut_us, marker.delay_us = record.get("cut"), record.get("delay")
            marker.part = part
        elif "byte" in record:
            data.markers.append(
                LoggedMarker(
                    -1,
                    record["byte"],
                    record.get("width"),
                    box_us=record.get("box"),
                    host_us=record["host"],
                    error_us=record["error"],
                    fate="refused" if "refused" in record else "done",
                    why=record.get("refused", ""),
                    cut_us=record.get("cut"),
                    delay_us=record.get("delay"),
                    source="byte",
                    part=part,
                )
            )
        elif "late" in record and record["late"] in by_number:
            by_number[record["late"]].late_us = record["most"]
        elif "unconfirmed" in record and record["unconfirmed"] in by_number:
            marker = by_number[record["unconfirmed"]]
            if marker.fate == "unconfirmed":
                marker.why = record["why"]
        elif "refused" in record and record["refused"] in by_number:
            marker = by_number[record["refused"]]
            marker.fate, marker.why = "refused", record["why"]
        elif "restart" in record:
            data.restarts.append(record["restart"])
            part += 1
        elif "marker_log" in record:
            if record["marker_log"] != FORMAT_VERSION:
                raise MarkerLogError(
                    f"{data.path}: has format version {record['marker_log']}, but this program "
                    f"reads version {FORMAT_VERSION}. Use the program that wrote it, or a newer "
                    "one."
                )
            data.headers.append(record)
            data.ended = False
            by_number = {}
            part += 1
        elif "end" in record:
            data.ended = True
