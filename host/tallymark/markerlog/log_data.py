"""A marker log as read: one entry a marker, and what else its records say."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from tallymark.common.formatting import clock, some, times
from tallymark.common.signature import Form, Signature
from tallymark.common.signature.pattern import ORDINALS, PULSES
from tallymark.markerlog.problem_summary import Problems, add_problem


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
