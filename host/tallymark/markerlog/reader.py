"""Reads a marker log, whose format protocol/MARKERLOG.md describes, and joins its records to one
entry a marker."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from tallymark.common.signature import Form, as_number
from tallymark.markerlog.log_data import (
    HoldEnd,
    Hole,
    LogData,
    LoggedMarker,
    LoggedProbeEdge,
    LoggedSignature,
    Lost,
    Missing,
    Note,
)
from tallymark.markerlog.log_errors import MarkerLogError
from tallymark.markerlog.record_checks import FORMAT_VERSION, is_header, is_sound

IDLE_AT_END = "lines to idle"
IDLE_AT_HANG_UP = "lines to idle after a hang-up"
"""Names of the markers by which a bridge takes the lines to idle, when it ends or when a program
has closed the port: no program sent them."""

ANSWER_LOST = "its answer may be among the records that the log lacks"
"""Why a marker is unconfirmed, where it may not be."""


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
