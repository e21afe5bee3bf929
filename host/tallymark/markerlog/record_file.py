"""The file of a marker log: one writer, whole records by one call of the system each, and what is
done where a record can't be written.

A log only ever grows. Every line is written by a single `write` to a descriptor opened for
appending, before the program goes on, so that a program killed at any instant leaves every earlier
line whole.

**Markers go on, the log's gap is told.** A record that can't be written (a full disk) stops no
marker: it is counted and reported at once, the log notes how many it lost as soon as it can be
written again (`lost`), and `close` raises `MarkerLogIncomplete`.
"""

from __future__ import annotations

import errno
import json
import logging
import os
import stat
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from tallymark.markerlog import gap
from tallymark.markerlog.exclusive_lock import lock
from tallymark.markerlog.external_writer import LogPartner
from tallymark.markerlog.log_errors import MarkerLogError, MarkerLogIncomplete

logger = logging.getLogger("tallymark")


class RecordFile:
    """A file of records that is open for writing. All methods may be called from any thread.

    Args:
        path: the file; it must not exist yet, unless `append` is given.
        append: go on in a log that exists.
        now_us: host time in microseconds.
        header: the first record, made for the host time that it is given.

    `begin_us`, `tell`, `lost`, and what is raised: see `MarkerLog`.
    """

    def __init__(
        self,
        path: str | Path,
        append: bool,
        now_us: Callable[[], int],
        header: Callable[[int], Mapping[str, Any]],
    ) -> None:
        self.path = Path(path)
        self.tell: Callable[[str], None] = logger.error
        self.lost = 0
        self._now_us = now_us
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
            if why := self._put(line_of(header(self.begin_us))):
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
            end = line_of({"end": self._now_us()})
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
            lines.append(line_of(self._gap.record(self._now_us())))
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


def line_of(record: Mapping[str, Any]) -> bytes:
    """A record as it is in the file."""
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
