"""The marker log: what was sent, when, and what the box said of it.

protocol/MARKERLOG.md describes the format. It is a text file of JSON Lines that only ever grows.
Every line is written by a single `write` to a descriptor opened for appending, before the program
goes on, so that a program killed at any instant leaves every earlier line whole.

**Markers go on, the log's gap is told.** A record that can't be written (a full disk) stops no
marker: it is counted and reported at once, the log notes how many it lost as soon as it can be
written again (`lost`), and `close` raises `MarkerLogIncomplete`.

MarkerLogError is a TallymarkError and an OSError: a log can't be written or read.
"""

from __future__ import annotations

import errno
import json
import logging
import os
import stat
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import datetime, timezone
from enum import Enum
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tallymark.box.ports.timebase import host_time_ns
from tallymark.common.signature import in_text
from tallymark.markerlog import gap
from tallymark.markerlog.exclusive_lock import lock
from tallymark.markerlog.external_writer import LogPartner
from tallymark.markerlog.reader import (
    LoggedMarker,
    MarkerLogError,
    MarkerLogIncomplete,
)
from tallymark.markerlog.record_checks import FORMAT_VERSION

if TYPE_CHECKING:
    from tallymark.box.box import Box
    from tallymark.box.settings import Settings
    from tallymark.common.signature import Form
    from tallymark.plan import Plan

logger = logging.getLogger("tallymark")

_TEXTS_KEPT = 4096


def host_time_us() -> int:
    """The host's clock (`timebase`) in microseconds, the clock of all host times in a log."""
    return host_time_ns() // 1000


class MarkerLog:
    """Writes a marker log. All methods may be called from any thread.

    Only `MarkerLog(...)` and `close` raise errors of the disk; what notes a record never does. One
    program writes a log at a time; others may read it meanwhile.

    Args:
        path: the file; it must not exist yet, unless `append` is given.
        box: identity of the box (serial number, board, firmware version ...), as JSON data.
        settings: the box's settings, as JSON data.
        plan: name and digest of the plan, and the names of its events by code, as JSON data, or
            None.
        append: add a new part, with its own header, to a log that exists.
        now_us: the clock of host times in microseconds, where it is another than the host's own.

    `begin_us` is the host time of the header. `tell` is called with a sentence when a record is
    lost, and when records can be written again; by default it is an error of the logger
    'tallymark'. It is called on a marker's way, and should be short. `lost` is the number of
    records that are missing in the file.

    Raises:
        MarkerLogError: the file exists already, is no marker log to append to, can't be created or
            written, or another program is writing it.
    """

    def __init__(
        self,
        path: str | Path,
        box: Mapping[str, Any] | None = None,
        settings: Mapping[str, Any] | None = None,
        plan: Mapping[str, Any] | None = None,
        append: bool = False,
        now_us: Callable[[], int] = host_time_us,
    ) -> None:
        self.path = Path(path)
        self.tell: Callable[[str], None] = logger.error
        self.lost = 0
        self._now_us = now_us
        self._plan = dict(plan) if plan is not None else None
        self._writing = threading.Lock()
        self._take, self._give = self._writing.acquire, self._writing.release
        self._closed = self._told_closed = False
        self._gap: gap.Gap | None = None
        self._why = ""
        self._header: bytes | None = None  # of a new part, which could not be written yet
        self._partner: LogPartner | None = None
        self._descriptor = _opened(self.path, append)
        made = False
        try:
            self._lock()
            made = not append
            # After half a line, the first record begins a line of its own.
            self._torn = append and _ends_torn(self.path)
            self.begin_us = self._now_us()
            if why := self._put(_line(self._new_header(box, settings, self.begin_us))):
                raise MarkerLogError(
                    f"{self.path}: the marker log can't be written ({why}). Nothing was sent. Free "
                    "some space or choose another disk, then start again."
                )
        except BaseException:
            self._closed = True
            os.close(self._descriptor)
            if made:
                self.path.unlink(missing_ok=True)  # so that the same name can be used again
            raise

    @classmethod
    def for_box(
        cls,
        path: str | Path,
        box: Box,
        plan: Plan | None = None,
        append: bool = False,
    ) -> MarkerLog:
        """Begin a log for a box: its identity and settings go into the header, and the box tells it
        of every marker from now on (`box.log`)."""
        identity, settings = _who(box), _settings(box.settings.read())
        named: dict[str, Any] | None = None
        if plan is not None:
            names = {str(event.code): event.name for event in reversed(plan.events)}
            named = {"name": plan.name, "digest": plan.digest, "events": names}
        pacing = box.pacing

        def clock_us() -> int:
            return round(pacing.now() * 1e6)

        log = cls(path, identity, settings, named, append, clock_us)
        box.log = log
        return log

    def next_part(self, box: Box, settings: Settings) -> None:
        """Go on in a new part, with a header of its own: the box was gone, and is back. Numbers of
        markers and box time begin again."""
        self._write(_line({"end": self._now_us()}))
        header = self._new_header(_who(box), _settings(settings), self._now_us())
        self._write(_line(header | {"again": True}))

    def _new_header(
        self, box: Mapping[str, Any] | None, settings: Mapping[str, Any] | None, host_us: int
    ) -> dict[str, Any]:
        return {
            "marker_log": FORMAT_VERSION,
            "start": datetime.now(timezone.utc).isoformat(timespec="microseconds"),
            "host": host_us,
            "box": dict(box or {}),
            "settings": dict(settings or {}),
            "plan": self._plan,
        }

    def sent(
        self,
        number: int,
        code: int,
        width_us: int | None = None,
        name: str | None = None,
        host_us: int | None = None,
        stays: bool | None = None,
        test: bool = False,
    ) -> None:
        """Note a marker before it is handed to the port.

        Args:
            number: counts up within a log and joins the records of one marker.
            code: 0..255. width_us: the width that the box will give it; None if it stays, or if
                the width isn't known.
            name: event name, if sent by name. host_us: default now.
            stays: True for a code that stays until the next marker, False for a pulse.
            test: True for a marker of a test before the session, which nobody asks for in the
                recording.
        """
        host = self._now_us() if host_us is None else host_us
        text = sent_text(code, width_us, name, stays, test)
        self._write(b'{"sent":%d%b%d}\n' % (number, text, host))

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

    def probe_edge(
        self, probe: str, on: bool, box_us: int, host_us: int | None, error_us: int | None
    ) -> None:
        """Note that what a probe ("light", "sound" or "ttl") sees went on or off. host_us and
        error_us are None if they aren't known."""
        record = {"probe": probe, "on": on, "box": box_us, "host": host_us, "error": error_us}
        self._write(_line(record))

    def probe_edges_lost(self, count: int) -> None:
        """Note that so many edges of probes had no room in the box."""
        self._write(_line({"probe_lost": count, "host": self._now_us()}))

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
        """End the log. May be called twice.

        Raises MarkerLogIncomplete if records are missing in it, or it may not be on the disk."""
        with self._writing:
            if self._closed:
                return
            said = self._part()
            end = _line({"end": self._now_us()})
            self._add(end)
            if self._torn and self._gap is None:
                self._put(b"")  # its line feed; without it a reader takes it as well
            self._closed = True
            texts = []
            if self.lost:
                texts.append(gap.at_close(self.path, self.lost, self._why, self._gap is None))
            try:
                texts += self._finish()
            finally:
                os.close(self._descriptor)
        if said:
            self._say(said)
        if texts:
            raise MarkerLogIncomplete(" ".join(texts), self.lost)

    def _finish(self) -> list[str]:
        """Has the file on the disk, where somebody will look for it. Returns what is wrong."""
        state = os.fstat(self._descriptor)
        if not stat.S_ISREG(state.st_mode):
            return []  # a device takes no fsync
        try:
            os.fsync(self._descriptor)
        except OSError as error:  # some file systems tell only now that the disk is full
            return [
                f"{self.path}: may not be on the disk ({error.strerror}). Check whether the marker "
                "log is complete, and free some space or choose another disk before you go on."
            ]
        if not state.st_nlink:
            return [
                f"{self.path}: was deleted while it was written, so there is no marker log of this "
                "run. The recording is the only record of these markers; keep it."
            ]
        return []

    def __enter__(self) -> MarkerLog:
        return self

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        """Closes the log. What is wrong with it does not hide an error that came before."""
        try:
            self.close()
        except MarkerLogIncomplete as incomplete:
            if error is None:
                raise
            self._say(str(incomplete))

    # Writing ------------------------------------------------------------------------------------

    @property
    def descriptor(self) -> int:
        """Of the file, opened for appending, for a partner (see `share`)."""
        return self._descriptor

    def share(self, partner: LogPartner) -> None:
        """From now on this partner, and no other, writes records too."""
        with self._writing:
            text = self._part()
            self._partner = partner
            partner.enter_log()
            partner.leave_log(self._takes())
        if text:
            self._say(text)

    def _part(self) -> str:
        """The partner writes nothing more. Returns what is to be said."""
        partner, self._partner = self._partner, None
        if partner is None:
            return ""
        text = self._take_over(partner)
        partner.leave_log(False)
        return text

    def _take_over(self, partner: LogPartner) -> str:
        """Enters for a partner, and takes note of what it could not write. Returns what is to be
        said."""
        unwritten = partner.enter_log()
        if unwritten is None or not (why := self._cut(*unwritten)):
            return ""
        return self._lose(unwritten.line, why)

    def _takes(self) -> bool:
        """Whether the next record may simply be written."""
        return not (self._closed or self._torn or self._gap is not None)

    def _write(self, line: bytes) -> None:
        """Write a record. What can't be written is counted and reported."""
        self._take()  # half of what a `with` takes, on the way of each marker
        try:
            if self._closed or self._torn or self._gap is not None or self._partner is not None:
                text = self._add(line)
            elif why := self._put(line):
                text = self._lose(line, why)
            else:
                return
        finally:
            self._give()
        if text:
            self._say(text)

    def _add(self, line: bytes) -> str:
        """Write a record, with the lock held. Returns what is to be said."""
        partner = self._partner
        if partner is None:
            return self._add_alone(line)
        text = self._take_over(partner)
        try:
            return " ".join(filter(None, (text, self._add_alone(line))))
        finally:
            partner.leave_log(self._takes())

    def _add_alone(self, line: bytes) -> str:
        if self._closed:
            self.lost += 1
            first, self._told_closed = not self._told_closed, True
            return gap.closed(self.path) if first else ""
        text = ""
        if self._gap is not None:
            count = self._gap.count
            if not self._resume():
                return self._lose(line, self._why)
            text = gap.ended(self.path, count)
        if why := self._put(line):
            text += self._lose(line, why)
        return text

    def _lose(self, line: bytes, why: str) -> str:
        """A record is lost. Returns what is to be said: something at the first one of a gap."""
        text = ""
        self._why = why
        if self._gap is None:
            self._gap = gap.Gap(self._now_us(), why)
            text = gap.begun(self.path, why)
        if line.startswith(_HEADER):
            line, self._header = self._header or b"", line
        if line:
            self._gap.add(line)
            self.lost += 1
        return text

    def _resume(self) -> bool:
        """Tries to note in the file what it lacks. False if it still can't be written."""
        assert self._gap is not None
        lines = [self._header] if self._header is not None else []
        if self._gap.count:
            lines.append(_line(self._gap.record(self._now_us())))
        for line in lines:
            if why := self._put(line):
                self._why = why
                return False
            if line is self._header:
                self._header = None
        self._gap = None
        return True

    def _put(self, line: bytes) -> str:
        """One call of the system. Returns '', or why the line is not in the file."""
        data = b"\n" + line if self._torn else line
        try:
            written = os.write(self._descriptor, data)
        except OSError as error:
            return error.strerror or str(error)
        if written == len(data):
            self._torn = False
            return ""
        return self._cut(data, written)

    def _cut(self, data: bytes, written: int, error: int = 0) -> str:
        """Only so many bytes of a line are in the file. Returns '', or why it is not there."""
        if error:
            return os.strerror(error)
        if written:
            self._torn = data[written - 1 : written] != b"\n"
        if written == len(data) - 1 and data != b"\n":
            return ""  # it lacks its line feed alone, which comes before the next one
        return "only a part of a record was taken; the disk may be full"

    def _say(self, text: str) -> None:
        try:
            self.tell(text)
        except Exception:
            logger.exception(text)

    def _lock(self) -> None:
        """Takes the file for this program. What is no file, such as /dev/null, is everybody's."""
        if not stat.S_ISREG(os.fstat(self._descriptor).st_mode):
            return
        try:
            if lock(self._descriptor):
                return
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                raise MarkerLogError(
                    f"{self.path}: can't be taken for this program alone ({error.strerror})."
                ) from error
            self._say(
                f"{self.path}: this file system can't keep other programs from writing the same "
                "marker log. Make sure that none does, or choose another disk."
            )
            return
        raise MarkerLogError(
            f"{self.path}: another program is writing this marker log, so this one can't. Nothing "
            "was sent. Choose another name, or end the other program first."
        )


_HEADER = b'{"marker_log":'
_NO_LOCKS = (errno.ENOLCK, errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP)


def _opened(path: Path, append: bool) -> int:
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | (0 if append else os.O_EXCL)
    flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        return os.open(path, flags, 0o644)
    except FileExistsError as error:
        raise MarkerLogError(
            f"{path}: exists already, and a marker log is never overwritten. Choose another name, "
            "or append to it (option --append, in Python append=True)."
        ) from error
    except OSError as error:
        raise MarkerLogError(f"{path}: can't be created ({error.strerror}).") from error


def _who(box: Box) -> dict[str, Any]:
    who = box.identity
    return {
        "serial": who.serial,
        "name": who.name,
        "board": who.board,
        "firmware": who.firmware,
        "protocol": who.protocol,
    }


def _settings(settings: Settings) -> dict[str, Any]:
    return {
        name: value.name.lower() if isinstance(value, Enum) else value
        for name, value in asdict(settings).items()
    }


@lru_cache(_TEXTS_KEPT)
def sent_text(
    code: int, width_us: int | None, name: str | None, stays: bool | None, test: bool = False
) -> bytes:
    """What `MarkerLog.sent` writes between the number of a marker and the digits of its host time.
    Kept: a program has few codes, names and widths."""
    if width_us is not None:
        width = f',"width":{width_us}'
    else:
        width = ',"stays":true' if stays else "" if stays is None else ',"width":null'
    label = "" if name is None else f',"name":{json.dumps(name)}'
    if test:
        label += ',"test":true'
    return f',"code":{code}{width}{label},"host":'.encode()


def _line(record: Mapping[str, Any]) -> bytes:
    text = json.dumps(record, separators=(",", ":"), ensure_ascii=False)
    # What UTF-8 can't hold (half a surrogate pair in a file name) becomes an escape of JSON.
    return text.encode(errors="backslashreplace") + b"\n"


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
    if begin and not begin.startswith(_HEADER):
        raise MarkerLogError(
            f"{path}: is not a marker log, so nothing is appended to it. Choose another name."
        )
    return last not in (b"", b"\n")
