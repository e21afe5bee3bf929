"""The marker log: what was sent, when, and what the box said of it.

A marker log is a text file of JSON Lines that only ever grows. Every line is written by a single
`write` to a descriptor opened for appending, before the program goes on, so that a program killed
at any instant leaves every earlier line whole. At most the last line is torn, and the reader says
so. Lines are told apart by their first key:

| first key        | meaning                                                                      |
| ---------------- | ---------------------------------------------------------------------------- |
| `marker_log`     | header: format version, box, settings, plan, start as wall time and host time |
| `sent`           | marker number, code, width, name, host time; written before the port gets it  |
| `ahead`          | the box accepted that number for this box time to come, and its host time    |
| `done`           | the box's answer to that number: box time of the edge, host time, its error   |
| `unconfirmed`    | no answer came for that number, and why                                      |
| `refused`        | the box refused that number, and why: the lines did not move                 |
| `byte`           | a byte that somebody else's program sent; `refused` says why it was no marker |
| `lines`          | a code that somebody else drove and the readback saw; it stays until the next |
| `late`           | that number was a byte which may have waited before it was sent, how long    |
| `hold_ended`     | the box took that code to idle, because the program was silent for too long  |
| `missing`        | so many bytes came in at the box of which it could not tell, or none can know |
| `notices_lost`   | so many notices of the box did not arrive; bytes may be among them            |
| `note`           | what went wrong beside the markers, in a sentence for people                  |
| `restart`        | the box restarted: box time begins again                                     |
| `signature`      | a session signature, its number in the session; written before it is sent    |
| `signed`         | that signature's first edge: box time, host time, its error                   |
| `signature_cut`  | somebody stopped that signature; how many of its 15 pulses went out           |
| `signature_lost` | that signature did not go out, or nobody knows (`unknown`), and why           |
| `end`            | the log was closed in good order                                             |

`width` is the width in force, whoever gave it; null if it isn't known. A code that stays until the
next marker has `stays` instead. In logs of early versions a pulse with the width of the settings
had neither. `cut` is how long the pulse lasted that this marker cut. `no_edge` is true for a marker
that went out while the lines had its code already: none of them moved, and a receiver can't see it.

A signature has the `session` (five hexadecimal digits), its `code`, and the `unit` of its
intervals; protocol/SIGNATURE.md says which pulses that makes.

All times are whole microseconds. Box time counts from the box's start. Host time is the host's
monotonic clock; the header gives one instant on both that clock and the calendar. `error` is the
bound on how far the host time may be off.

MarkerLogError is a TallymarkError and an OSError: a log can't be written or read.
"""

from __future__ import annotations

import json
import os
import stat
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import datetime, timezone
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tallymark.box.ports.timebase import host_time_ns
from tallymark.markerlog.reader import FORMAT_VERSION, LoggedMarker, MarkerLogError
from tallymark.signature import in_text

if TYPE_CHECKING:
    from tallymark.box.box import Box
    from tallymark.box.settings import Settings
    from tallymark.plan import Plan
    from tallymark.signature import Form


def host_time_us() -> int:
    """The host's clock (`timebase`) in microseconds, the clock of all host times in a log."""
    return host_time_ns() // 1000


class MarkerLog:
    """Writes a marker log. All methods may be called from any thread.

    No lock is taken on the way of a marker: each record is one `write` call on a descriptor opened
    with O_APPEND, which the system carries out as a whole.

    Args:
        path: the file; it must not exist yet, unless `append` is given.
        box: identity of the box (serial number, board, firmware version ...), as JSON data.
        settings: the box's settings, as JSON data.
        plan: name and digest of the plan, and the names of its events by code, as JSON data, or
            None.
        append: add a new part, with its own header, to a log that exists.
        again: this goes on what the part before it began: the box was gone, and is back.
        now_us: the clock of host times in microseconds, where it is another than the host's own.

    `begin_us` is the host time of the header.

    Raises:
        MarkerLogError: the file exists already, is no marker log to append to, or can't be created
            or written.
    """

    def __init__(
        self,
        path: str | Path,
        box: Mapping[str, Any] | None = None,
        settings: Mapping[str, Any] | None = None,
        plan: Mapping[str, Any] | None = None,
        append: bool = False,
        again: bool = False,
        now_us: Callable[[], int] = host_time_us,
    ) -> None:
        self.path = Path(path)
        self._now_us = now_us
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | (0 if append else os.O_EXCL)
        torn = append and _ends_torn(self.path)
        flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        try:
            self._descriptor = os.open(self.path, flags, 0o644)
        except FileExistsError as error:
            raise MarkerLogError(
                f"{self.path}: exists already, and a marker log is never overwritten. Choose "
                "another name, or append to it (--append)."
            ) from error
        except OSError as error:
            raise MarkerLogError(f"{self.path}: can't be created ({error.strerror}).") from error
        self._closing = threading.Lock()
        self._closed = False
        self._names: dict[str, str] = {}
        if torn:
            self._write(b"\n")  # keeps the torn line to itself
        self.begin_us = self._now_us()
        header = {
            "marker_log": FORMAT_VERSION,
            "start": datetime.now(timezone.utc).isoformat(timespec="microseconds"),
            "host": self.begin_us,
            "box": dict(box or {}),
            "settings": dict(settings or {}),
            "plan": dict(plan) if plan is not None else None,
        }
        self._write(_line(header | {"again": True} if again else header))

    @classmethod
    def for_box(
        cls,
        path: str | Path,
        box: Box,
        plan: Plan | None = None,
        append: bool = False,
        settings: Settings | None = None,
        again: bool = False,
    ) -> MarkerLog:
        """Begin a log for a box: its identity and settings go into the header, and the box tells it
        of every marker from now on (`box.log`).

        settings: those of the box now, if they are known; otherwise it is asked."""
        who = box.identity
        identity = {
            "serial": who.serial,
            "name": who.name,
            "board": who.board,
            "firmware": who.firmware,
            "protocol": who.protocol,
        }
        settings_data = {
            name: value.name.lower() if isinstance(value, Enum) else value
            for name, value in asdict(settings or box.settings.read()).items()
        }
        named: dict[str, Any] | None = None
        if plan is not None:
            names = {str(event.code): event.name for event in reversed(plan.events)}
            named = {"name": plan.name, "digest": plan.digest, "events": names}
        pacing = box.pacing

        def clock_us() -> int:
            return round(pacing.now() * 1e6)

        log = cls(path, identity, settings_data, named, append, again, clock_us)
        box.log = log
        return log

    def sent(
        self,
        number: int,
        code: int,
        width_us: int | None = None,
        name: str | None = None,
        host_us: int | None = None,
        stays: bool | None = None,
    ) -> None:
        """Note a marker before it is handed to the port.

        Args:
            number: counts up within a log and joins the records of one marker.
            code: 0..255. width_us: the width that the box will give it; None if it stays, or if
                the width isn't known.
            name: event name, if sent by name. host_us: default now.
            stays: True for a code that stays until the next marker, False for a pulse.
        """
        host = self._now_us() if host_us is None else host_us
        if width_us is not None:
            width = f',"width":{width_us}'
        else:
            width = ',"stays":true' if stays else "" if stays is None else ',"width":null'
        if name is None:
            label = ""
        else:
            label = self._names.get(name) or self._names.setdefault(
                name, f',"name":{json.dumps(name)}'
            )
        self._write(f'{{"sent":{number},"code":{code}{width}{label},"host":{host}}}\n'.encode())

    def scheduled(self, number: int, box_us: int, host_us: int, error_us: int) -> None:
        """Note that the box accepted the marker, to go out at that box time; the same instant in
        host time, with its error bound. `answered` or `refused` follows."""
        text = f'"ahead":{number},"box":{box_us},"host":{host_us},"error":{error_us}'
        self._write(f"{{{text}}}\n".encode())

    def answered(
        self,
        number: int,
        box_us: int,
        host_us: int,
        error_us: int,
        cut_us: int | None = None,
        delay_us: int | None = None,
        no_edge: bool = False,
    ) -> None:
        """Note the box's answer: box time of the edge, the same instant in host time with its error
        bound, the width at which an earlier pulse was cut, the delay that the gap caused, and
        whether no line moved, because they had the code already."""
        cut = "" if cut_us is None else f',"cut":{cut_us}'
        delay = "" if not delay_us else f',"delay":{delay_us}'
        edge = ',"no_edge":true' if no_edge else ""
        text = f'"done":{number},"box":{box_us},"host":{host_us},"error":{error_us}'
        self._write(f"{{{text}{cut}{delay}{edge}}}\n".encode())

    def unconfirmed(self, number: int, why: str) -> None:
        """Note that no answer came. A later `answered` or `refused` for the number overrides it."""
        self._write(_line({"unconfirmed": number, "why": why}))

    def refused(self, number: int, why: str, cut_us: int | None = None) -> None:
        """Note that the box refused the marker: its lines did not move.

        cut_us: how long a pulse lasted that it had cut before it was cancelled in its gap."""
        cut = {} if cut_us is None else {"cut": cut_us}
        self._write(_line({"refused": number, "why": why} | cut))

    def byte_marker(self, entry: LoggedMarker) -> None:
        """Note a byte that somebody else's program sent: went out, or was refused. Its number, name
        and place in a log are not."""
        record: dict[str, Any] = {"byte": entry.code, "host": entry.host_us}
        record["error"] = entry.error_us
        rest: dict[str, Any] = {"box": entry.box_us, "width": entry.width_us}
        rest |= {"stays": entry.stays or None, "cut": entry.cut_us}
        rest |= {"delay": entry.delay_us or None, "no_edge": entry.no_edge or None}
        rest["refused"] = entry.why if entry.fate == "refused" else None
        record |= {key: value for key, value in rest.items() if value is not None}
        self._write(_line(record))

    def line_marker(self, entry: LoggedMarker) -> None:
        """Note a code that the readback took (times as in `answered`); 0: it went to idle."""
        record = {"lines": entry.code, "box": entry.box_us, "host": entry.host_us}
        self._write(_line(record | {"error": entry.error_us}))

    def late(self, number: int, most_us: int) -> None:
        """Note that the byte behind a marker may have waited that long before it was sent."""
        self._write(f'{{"late":{number},"most":{most_us}}}\n'.encode())

    def hold_ended(self, code: int, box_us: int, host_us: int | None, error_us: int | None) -> None:
        """Note that the box took a code to idle after its hold limit. host_us: None if unknown."""
        record = {"hold_ended": code, "box": box_us, "host": host_us, "error": error_us}
        self._write(_line(record))

    def missing(self, count: int, why: str) -> None:
        """Note that so many bytes came in which are not in the log, or may not be."""
        self._write(_line({"missing": count, "why": why, "host": self._now_us()}))

    def notices_lost(self, count: int) -> None:
        """Note that so many notices of the box did not arrive: bytes of the byte input and ends of
        a hold may be among them."""
        self._write(_line({"notices_lost": count, "host": self._now_us()}))

    def note(self, text: str) -> None:
        """Note in a sentence what went wrong beside the markers."""
        self._write(_line({"note": text, "host": self._now_us()}))

    def restarted(self, cause: str) -> None:
        """Note that the box restarted, so that its time begins again at 0."""
        self._write(_line({"restart": cause, "host": self._now_us()}))

    def signature(self, count: int, session: int, form: Form, host_us: int) -> None:
        """Note a session signature before it is sent. count: its number in the session, from 1."""
        record = {"signature": count, "session": in_text(session), "code": form.code}
        self._write(_line(record | {"unit": form.unit_us, "host": host_us}))

    def signed(self, count: int, box_us: int, host_us: int, error_us: int) -> None:
        """Note when the signature's first edge was out (times as in `answered`)."""
        record = {"signed": count, "box": box_us, "host": host_us, "error": error_us}
        self._write(_line(record))

    def signature_cut(self, count: int, pulses: int) -> None:
        """Note that only so many of the signature's 15 pulses went out, the last one perhaps in
        part."""
        self._write(_line({"signature_cut": count, "pulses": pulses}))

    def signature_failed(self, count: int, why: str, *, unknown: bool) -> None:
        """Note that the signature did not go out; or, if `unknown`, that nobody knows."""
        self._write(_line({"signature_lost": count, "why": why, "unknown": unknown}))

    def sync(self) -> None:
        """Have the system write the log to the disk, against power loss. May take milliseconds."""
        os.fsync(self._descriptor)

    def close(self) -> None:
        """End the log. May be called twice. MarkerLogError if it did not get to the disk whole."""
        with self._closing:
            if self._closed:
                return
            self._closed = True
            try:
                self._write(_line({"end": self._now_us()}))
                self._finish()
            finally:
                os.close(self._descriptor)

    def _finish(self) -> None:
        """Has the file on the disk, where somebody will look for it."""
        state = os.fstat(self._descriptor)
        if not stat.S_ISREG(state.st_mode):
            return  # a device takes no fsync
        try:
            os.fsync(self._descriptor)
        except OSError as error:  # some file systems tell only now that the disk is full
            raise MarkerLogError(
                f"{self.path}: may not be on the disk ({error.strerror}). Check whether the marker "
                "log is complete, and free some space or choose another disk before you go on."
            ) from error
        if not state.st_nlink:
            raise MarkerLogError(
                f"{self.path}: was deleted while it was written, so there is no marker log of this "
                "run. The recording is the only record of these markers; keep it."
            )

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
    """Whether a log that is appended to ends with half a line. MarkerLogError if it is no log."""
    try:
        with open(path, "rb") as file:
            begin = file.read(32)
            file.seek(-min(len(begin), 1), os.SEEK_END)
            last = file.read(1)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise MarkerLogError(f"{path}: can't be opened ({error.strerror}).") from error
    if begin and not begin.startswith(b'{"marker_log":'):
        raise MarkerLogError(
            f"{path}: is not a marker log, so nothing is appended to it. Choose another name."
        )
    return last not in (b"", b"\n")
