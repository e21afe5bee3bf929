"""Reads a marker log, whose format protocol/MARKERLOG.md describes, and joins its records to one
entry a marker."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from tallymark.common.errors import TallymarkError
from tallymark.common.formatting import clock, some, times
from tallymark.common.signature import Form, Signature, as_number
from tallymark.common.signature.pattern import ORDINALS, PULSES
from tallymark.markerlog.problem_summary import Problems, add_problem
from tallymark.markerlog.record_checks import FORMAT_VERSION, is_header, is_sound

IDLE_AT_END = "lines to idle"
IDLE_AT_HANG_UP = "lines to idle after a hang-up"
"""Names of the markers by which a bridge takes the lines to idle, when it ends or when a program
has closed the port: no program sent them."""


class MarkerLogError(TallymarkError, OSError):
    """A marker log can't be written or read; the message says which and what to do."""


class MarkerLogIncomplete(MarkerLogError):
    """A marker log lacks records, or may not be on the disk whole. Markers went out all the same.

    `lost`: how many records are missing in it."""

    def __init__(self, text: str, lost: int = 0) -> None:
        super().__init__(text)
        self.lost = lost


ANSWER_LOST = "its answer may be among the records that the log lacks"
"""Why a marker is unconfirmed, where it may not be."""


@dataclass(slots=True)
class LoggedMarker:
    """One marker of a log. Times in microseconds; None where they aren't known.

    fate: 'done', 'unconfirmed' (no answer: the box may have acted or not) or 'refused'.
    source: 'host', 'byte' (came in on the byte input) or 'lines' (seen at the readback).
    late_us: how long at most the byte behind it waited before it was sent.
    part: counts box starts, from 0; box times of two parts can't be compared.
    session: which header of the file it stands under, from 0.
    width_us: the width in force; None for a code that stays (`stays`), or if it isn't known.
    stays: None in logs of early versions, which did not tell.
    no_edge: it went out while the lines had its code already, so that none of them moved.
    due_host_us: when a marker ahead was to go out.
    test: sent before the session for a person who looks for it; the recording need not hold it.
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
    source: Literal["host", "byte", "lines"] = "host"
    part: int = 0
    session: int = 0
    stays: bool | None = None
    no_edge: bool = False
    due_host_us: int | None = None
    test: bool = False


@dataclass(frozen=True, slots=True)
class HoldEnd:
    """The box took a code to idle by its hold limit. Times in µs, host_us None if it isn't known;
    at: how many markers of the log stand before it."""

    code: int
    box_us: int
    host_us: int | None
    part: int
    at: int


@dataclass(frozen=True, slots=True)
class LoggedProbeEdge:
    """What a probe saw went on or off. Times in µs; host_us, error_us None if they aren't known.

    probe: 'light', 'sound' or 'ttl'. part, session: as in `LoggedMarker`. lost: edges of probes
    (any of them) just before this one that had no room in the box; 255 stands for 255 or more.
    """

    probe: str
    on: bool
    box_us: int
    host_us: int | None
    error_us: int | None
    part: int
    session: int
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Missing:
    """Bytes that came in and are not in the log, and why."""

    count: int
    why: str
    session: int


@dataclass(frozen=True, slots=True)
class Lost:
    """Records that the writer could not write, as on a full disk. since_us, until_us: host times
    of the first one, and from when on the log could be written again."""

    count: int
    since_us: int
    until_us: int
    why: str
    session: int


@dataclass(frozen=True, slots=True)
class Hole:
    """Host times between which the log may lack records, for whatever reason. None: from its
    beginning, or without an end. at: as in `HoldEnd`; None where the log was not closed."""

    since_us: int | None
    until_us: int | None
    at: int | None


@dataclass(frozen=True, slots=True)
class Note:
    """A sentence on what went wrong beside the markers. host_us: when."""

    text: str
    host_us: int
    session: int


@dataclass(slots=True)
class LoggedSignature:
    """A session signature. count: its number in its session, from 1. Times in µs: its first edge.

    fate: 'done', 'unconfirmed' (it may have gone out or not) or 'refused' (it did not). pulses: how
    many of its 15 went out, if it did. part, session_part: as `part` and `session` of a marker.
    """

    count: int
    session: int
    form: Form
    sent_host_us: int
    box_us: int | None = None
    host_us: int | None = None
    error_us: int | None = None
    fate: Literal["done", "unconfirmed", "refused"] = "unconfirmed"
    why: str = ""
    pulses: int = PULSES
    part: int = 0
    session_part: int = 0

    @property
    def signature(self) -> Signature:
        """What its pulses spell."""
        return Signature(self.session, self.count % ORDINALS)


@dataclass
class LogData:
    """A marker log as read.

    headers: one for each time that the file was opened for writing. ended: closed in good order.
    ends: host time at which each header's part was closed, None where it wasn't. sessions: under
    which header each part (box start) stands, from 0. torn: the last line was cut off. bad_lines:
    numbers of other lines that could not be read. notices_lost: messages that the box sent by
    itself and that did not arrive. lost: records that could not be written. holes: where, for
    that or because lines can't be read or no end was written, records may be missing.
    probe_edges: what the probes saw, in the order of the file. probe_edges_lost: how many had no
    room in the box.
    """

    path: Path
    headers: list[dict[str, Any]] = field(default_factory=list)
    markers: list[LoggedMarker] = field(default_factory=list)
    ended: bool = False
    torn: bool = False
    bad_lines: list[int] = field(default_factory=list)
    restarts: list[str] = field(default_factory=list)
    holds_ended: list[HoldEnd] = field(default_factory=list)
    missing: list[Missing] = field(default_factory=list)
    notices_lost: int = 0
    said: list[Note] = field(default_factory=list)
    signatures: list[LoggedSignature] = field(default_factory=list)
    ends: list[int | None] = field(default_factory=list)
    sessions: list[int] = field(default_factory=list)
    lost: list[Lost] = field(default_factory=list)
    holes: list[Hole] = field(default_factory=list)
    probe_edges: list[LoggedProbeEdge] = field(default_factory=list)
    probe_edges_lost: int = 0

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
            count = some(len(self.bad_lines), "line")
            notes.append(f"{count} of the log can't be read (line {lines}).")
        notes += self.gap_notes()
        if self.restarts:
            notes.append(f"The box restarted {times(len(self.restarts))} during the log.")
        if self.holds_ended:
            notes.append(
                f"The box took a code to idle {times(len(self.holds_ended))}, because the program "
                "sent nothing for the hold limit."
            )
        for signature in self.signatures:
            if signature.fate != "done":
                what = "was not sent" if signature.fate == "refused" else "may not have been sent"
                notes.append(f"Signature {signature.count} of the session {what}: {signature.why}")
            elif signature.pulses < PULSES:
                notes.append(
                    f"Signature {signature.count} of the session was stopped after "
                    f"{some(signature.pulses, 'pulse')} of {PULSES}."
                )
        reports: Problems = {}
        for said in self.said:
            add_problem(reports, said.text)
        notes += map(str, reports.values())
        if without := sum(marker.no_edge for marker in self.markers):
            notes.append(
                f"{some(without, 'marker')} made no edge: the lines had that code already, so a "
                "receiver can't see it. Use a gap, or code 0 in between."
            )
        if tests := sum(marker.test for marker in self.markers):
            notes.append(
                f"{some(tests, 'marker')} of the log {'is a test' if tests == 1 else 'are tests'} "
                "before the session, and not asked for."
            )
        if self.notices_lost:
            notes.append(
                f"{some(self.notices_lost, 'message')} of the box did not arrive: bytes of the "
                "byte input, ends of a hold or edges of a probe may not be in the log. Check the "
                "cable."
            )
        if self.probe_edges_lost:
            notes.append(
                f"{some(self.probe_edges_lost, 'edge')} of probes had no room in the box: onsets "
                "may be missing. A flickering light makes too many; see `tallymark probe`."
            )
        for lost in self.missing:
            notes.append(f"Not in the log: {some(lost.count, 'byte')}; {lost.why}")
        return notes

    def gap_notes(self) -> list[str]:
        """A sentence on each row of records that could not be written (`lost`)."""
        return list(map(self._gap_note, self.lost))

    def _gap_note(self, lost: Lost) -> str:
        begin = self.headers[lost.session].get("host")
        when = ""
        if begin is not None:
            since, until = ((at - begin) / 1e6 for at in (lost.since_us, lost.until_us))
            when = f" from {clock(since)} to {clock(until)} of its time"
        are = "is" if lost.count == 1 else "are"
        return (
            f"{some(lost.count, 'record')} {are} missing in the log{when}, because it could not be "
            f"written ({lost.why}). It may lack markers that went out then, and answers."
        )


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
    last = lines.pop()
    if whole := _is_whole(last):
        lines.append(last)
    data = LogData(path, torn=bool(last) and not whole)
    _join(_parsed(lines, data), data)
    if not data.headers:
        raise MarkerLogError(
            f"{path}: is not a marker log, or its first line, the header, is damaged. Name the "
            "file that was written while the markers were sent."
        )
    _name(data)
    return data


def _is_whole(line: bytes) -> bool:
    """Whether a line without its line feed is a whole record. A part of a record never is: its
    last byte is the brace that closes it."""
    try:
        return isinstance(json.loads(line), dict)
    except (ValueError, RecursionError):
        return False


def _name(data: LogData) -> None:
    """Codes that came without a name have that of the plan with which the log was kept."""
    names = [(header.get("plan") or {}).get("events") or {} for header in data.headers]
    for marker in data.markers:
        if marker.name is None and marker.code:
            marker.name = names[marker.session].get(str(marker.code))


def _parsed(lines: list[bytes], data: LogData) -> Iterable[dict[str, Any]]:
    """The records; {} in the place of each line that can't be read."""
    try:  # one call for the whole file is several times faster than one for each line
        records = json.loads(b"[" + b",".join(lines) + b"]")
        if len(records) == len(lines) and all(map(is_sound, records)) and _all_known(records):
            yield from records
            return
    except (ValueError, RecursionError, IndexError):
        pass
    begun = known = False
    for number, line in enumerate(lines, 1):
        try:
            record = json.loads(line)
        except (ValueError, RecursionError):
            record = None
        sound = is_sound(record)
        if sound and is_header(record):
            known = record["marker_log"] == FORMAT_VERSION
            if not begun and not known:
                raise _other_version(data, record)
            begun = True
        if sound and known:
            yield record
        else:
            data.bad_lines.append(number)
            if begun:
                yield {}


def _all_known(records: list[dict[str, Any]]) -> bool:
    """Whether the first record is a header, and each header of this version. What stands before the
    first header belongs to no log."""
    return is_header(records[0]) and all(
        record["marker_log"] == FORMAT_VERSION for record in records if is_header(record)
    )


def _other_version(data: LogData, header: dict[str, Any]) -> MarkerLogError:
    return MarkerLogError(
        f"{data.path}: has format version {header['marker_log']}, but this program reads version "
        f"{FORMAT_VERSION}. Use the program that wrote it, or a newer one."
    )


def _join(records: Iterable[dict[str, Any]], data: LogData) -> None:
    by_number: dict[int, LoggedMarker] = {}
    part = session = -1
    holes = _Holes(data)
    unread = False  # a line of this part can't be read
    probe_edges_lost = 0  # just before the next one
    for record in records:
        kind = next(iter(record), "")
        before_us = holes.last_us
        holes.follow(record)
        if kind == "sent":
            if unread and record["sent"] in by_number:
                # Numbers begin again: the line that can't be read was the header of a new part.
                by_number, unread = {}, False
                data.sessions.append(session)
                part += 1
            marker = LoggedMarker(
                record["sent"],
                record["code"],
                record.get("width"),
                record.get("name"),
                record["host"],
                part=part,
                session=session,
                stays=record.get("stays", False if "width" in record else None),
                test=bool(record.get("test")),
            )
            by_number[marker.number] = marker
            data.markers.append(marker)
        elif kind == "done" and record["done"] in by_number:
            marker = by_number[record["done"]]
            marker.fate, marker.why = "done", ""
            marker.box_us, marker.host_us = record["box"], record["host"]
            marker.error_us = record["error"]
            marker.cut_us, marker.delay_us = record.get("cut"), record.get("delay")
            marker.no_edge = bool(record.get("no_edge"))
            if marker.part != part:
                marker.width_us = None  # the box had started before, with its kept settings
                marker.part = part
        elif kind == "ahead" and record["ahead"] in by_number:
            by_number[record["ahead"]].due_host_us = record["host"]
        elif kind == "byte":
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
                    session=session,
                    stays=record.get("stays", False if "width" in record else None),
                    no_edge=bool(record.get("no_edge")),
                )
            )
        elif kind == "lines":
            data.markers.append(
                LoggedMarker(
                    -1,
                    record["lines"],
                    box_us=record["box"],
                    host_us=record["host"],
                    error_us=record["error"],
                    fate="done",
                    source="lines",
                    part=part,
                    session=session,
                    stays=True,
                )
            )
        elif kind == "late" and record["late"] in by_number:
            by_number[record["late"]].late_us = record["most"]
        elif kind == "unconfirmed" and record["unconfirmed"] in by_number:
            marker = by_number[record["unconfirmed"]]
            if marker.fate == "unconfirmed":
                marker.why = record["why"]
        elif kind == "refused" and record["refused"] in by_number:
            marker = by_number[record["refused"]]
            marker.fate, marker.why = "refused", record["why"]
            marker.cut_us = record.get("cut")
        elif kind == "hold_ended":
            at = len(data.markers)
            data.holds_ended.append(
                HoldEnd(record["hold_ended"], record["box"], record["host"], part, at)
            )
        elif kind == "missing":
            data.missing.append(Missing(record["missing"], record["why"], session))
        elif kind == "notices_lost":
            data.notices_lost += record["notices_lost"]
        elif kind == "probe":
            data.probe_edges.append(
                LoggedProbeEdge(
                    record["probe"],
                    record["on"],
                    record["box"],
                    record["host"],
                    record["error"],
                    part,
                    session,
                    probe_edges_lost,
                )
            )
            probe_edges_lost = 0
        elif kind == "probe_lost":
            probe_edges_lost = record["probe_lost"]
            data.probe_edges_lost += probe_edges_lost
        elif kind == "note":
            data.said.append(Note(record["note"], record["host"], session))
        elif kind == "signature":
            data.signatures.append(
                LoggedSignature(
                    record["signature"],
                    as_number(record["session"]),
                    Form(record["code"], record["unit"]),
                    record["host"],
                    part=part,
                    session_part=session,
                )
            )
        elif kind in ("signed", "signature_cut", "signature_lost"):
            _follow(kind, record, data, part, session)
        elif kind == "restart":
            data.restarts.append(record["restart"])
            data.sessions.append(session)
            part += 1
        elif kind == "lost":
            lost, since_us, until_us = record["lost"], record["since"], record["host"]
            data.lost.append(Lost(lost, since_us, until_us, record["why"], session))
            data.holes.append(Hole(since_us, until_us, len(data.markers)))
            _doubt_answers(by_number)
            if record.get("restarted"):
                data.sessions.append(session)
                part += 1
        elif not kind:
            unread = True
            _doubt_answers(by_number)
        elif kind == "marker_log":
            if session >= 0 and data.ends[-1] is None:
                data.holes.append(Hole(before_us, record.get("host"), None))
            data.headers.append(record)
            data.ended = False
            data.ends.append(None)
            by_number, unread = {}, False
            part += 1
            session += 1
            data.sessions.append(session)
        elif kind == "end":
            data.ended = True
            data.ends[-1] = record["end"]
    holes.end()


class _Holes:
    """Where lines that can't be read stand, in host time, and where the log breaks off.

    last_us: host time of the last record that has one."""

    def __init__(self, data: LogData) -> None:
        self.last_us: int | None = None
        self._data = data
        self._open: tuple[int | None, int] | None = None

    def follow(self, record: dict[str, Any]) -> None:
        """The next record, {} for a line that can't be read."""
        if not record and self._open is None:
            self._open = self.last_us, len(self._data.markers)
        host_us = record.get("host")
        if type(host_us) is not int:
            return
        self.last_us = host_us
        if self._open is not None:
            self._data.holes.append(Hole(self._open[0], host_us, self._open[1]))
            self._open = None

    def end(self) -> None:
        """No more comes."""
        data = self._data
        if self._open is not None:
            until_us = data.ends[-1] if data.ended else None
            data.holes.append(Hole(self._open[0], until_us, self._open[1]))
        if not data.ended or data.torn:
            data.holes.append(Hole(self.last_us, None, None))


def _doubt_answers(by_number: dict[int, LoggedMarker]) -> None:
    """Records are missing here: what has no answer yet may have had one there."""
    for marker in by_number.values():
        if marker.fate == "unconfirmed" and not marker.why:
            marker.why = ANSWER_LOST


def _follow(kind: str, record: dict[str, Any], data: LogData, part: int, session: int) -> None:
    """What became of the signature that was noted last."""
    if not data.signatures or data.signatures[-1].session_part != session:
        return
    one = data.signatures[-1]
    if one.count != record[kind]:
        return
    if kind == "signed":
        one.fate, one.part = "done", part
        one.box_us, one.host_us, one.error_us = record["box"], record["host"], record["error"]
    elif kind == "signature_cut":
        one.pulses = record["pulses"]
    else:
        one.fate = "unconfirmed" if record["unknown"] else "refused"
        one.why = record["why"]
