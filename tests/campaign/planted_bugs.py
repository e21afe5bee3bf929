"""Bugs that a person could make, planted one at a time, to see that the campaign notices them.

Each is a context manager that changes the library or the virtual board while it lasts. `PLANTED`
names the promise that each must be found to break, and a seed whose world does it. Those in C stand
in the table of mutants.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from world_of_seed import PROBED

import tallymark.markerlog as markerlog
import tallymark.markerlog.reader as log_reader
from tallymark.box.link import answer_recovery, request_window
from tallymark.box.link.active_settings import ActiveSettings
from tallymark.box.link.clock import ClockEstimate, HostTime
from tallymark.box.link.event_dispatch import EventDispatch
from tallymark.box.link.marker import Marker, Outcome, Result
from tallymark.box.link.reader import Reader
from tallymark.box.probes import Probes
from tallymark.box.sequence import Sequence
from tallymark.box.wire.answer_values import ByteMarker, ProbeEdges
from tallymark.box.wire.frames import code_frame
from tallymark.box.wire.protocol_enumerations import IN_SESSION, Request
from tallymark.common.errors import Refused
from tallymark.markerlog.gap import Gap
from tallymark.markerlog.record_file import RecordFile
from tallymark.virtual import VirtualBox


@contextmanager
def _instead(owner: Any, name: str, new: Any) -> Iterator[None]:
    """Puts something else in the place of an attribute."""
    old = owner.__dict__[name]
    setattr(owner, name, new)
    try:
        yield
    finally:
        setattr(owner, name, old)


def _clock_not_reset() -> Any:
    """A restart of the box begins its time anew, and the host goes on with the old relation."""
    first = ClockEstimate.reset

    def reset(self: ClockEstimate) -> None:
        if not hasattr(self, "_samples"):
            first(self)

    return _instead(ClockEstimate, "reset", reset)


def _bound_too_small() -> Any:
    """A bound that leaves out half the round trip."""
    right = ClockEstimate.to_host

    def to_host(self: ClockEstimate, box_us: float) -> HostTime:
        return HostTime(right(self, box_us).seconds, 2e-6)

    return _instead(ClockEstimate, "to_host", to_host)


def _sends_again() -> Any:
    """A marker whose answer is overdue is sent once more, with a new tag."""
    right = answer_recovery.AnswerRecovery._ask_fate
    again: set[int] = set()

    def ask_fate(self: answer_recovery.AnswerRecovery, marker: Marker) -> None:
        if id(marker) not in again and self._exchange.tags.next:
            again.add(id(marker))
            marker.asked_s = self._exchange.now()
            tag = self._exchange.tags.take()
            self._exchange._write(code_frame(Request.PULSE, tag, marker.code))
        else:
            right(self, marker)

    return _instead(answer_recovery.AnswerRecovery, "_ask_fate", ask_fate)


def _lost_means_done() -> Any:
    """A marker of which the box knows nothing counts as done."""

    def unconfirm(self: request_window.RequestWindow, marker: Marker, why: str) -> None:
        self.end_marker(marker, Result(Outcome.DONE, 1_000_000, None, 0))

    return _instead(request_window.RequestWindow, "end_unconfirmed", unconfirm)


def _lost_means_refused() -> Any:
    """A marker whose answer is lost counts as refused."""

    def unconfirm(self: request_window.RequestWindow, marker: Marker, why: str) -> None:
        self.end_marker(marker, Result(Outcome.REFUSED, error=Refused(9, 0, marker.request)))

    return _instead(request_window.RequestWindow, "end_unconfirmed", unconfirm)


def _stays_open() -> Any:
    """Markers of an ended link are forgotten."""

    def unconfirm(self: request_window.RequestWindow, marker: Marker, why: str) -> None:
        self._remove(marker)

    return _instead(request_window.RequestWindow, "end_unconfirmed", unconfirm)


def _width_of_before() -> Any:
    """The width in the log is that of the settings before."""

    def know(self: ActiveSettings, settings: Any) -> None:
        self.width_us = 5000 if settings is None or self.settings is None else (
            self.settings.width_us
        )
        self.settings = settings

    return _instead(ActiveSettings, "_know", know)


def _byte_forgotten() -> Any:
    """A byte that went out does not get into the log."""
    right = EventDispatch.note

    def note(self: EventDispatch, event: Any) -> None:
        if not isinstance(event, ByteMarker) or event.byte != 5:
            right(self, event)

    return _instead(EventDispatch, "note", note)


def _log_after() -> Any:
    """The log is told of a marker after it was sent, so that a kill can come in between."""
    right = RecordFile._write

    def write(self: RecordFile, line: bytes) -> None:
        late = getattr(self, "_late", b"")
        self._late = line if line.startswith(b'{"sent"') else b""  # type: ignore[attr-defined]
        if late:
            right(self, late)
        if not self._late:  # type: ignore[attr-defined]
            right(self, line)

    return _instead(RecordFile, "_write", write)


def _answers_not_logged() -> Any:
    """The log loses refusals."""
    return _instead(markerlog.MarkerLog, "refused", lambda self, *_rest: None)


def _cut_line_not_told() -> Any:
    """The reader of a log passes over lines that it can't read."""
    right = log_reader._parsed

    def parsed(lines: list[bytes], data: Any) -> Any:
        yield from list(right(lines, data))
        data.bad_lines.clear()

    return _instead(log_reader, "_parsed", parsed)


def _lost_not_counted() -> Any:
    """The log counts one record of those that it can't write."""
    right = Gap.add

    def add(self: Gap, line: bytes) -> None:
        right(self, line)
        self.count = 1

    return _instead(Gap, "add", add)


def _lost_restart() -> Any:
    """A start of the box that could not be written is forgotten."""
    right = Gap.record

    def record(self: Gap, host_us: int) -> dict[str, Any]:
        return {key: value for key, value in right(self, host_us).items() if key != "restarted"}

    return _instead(Gap, "record", record)


def _glued_to_torn_line() -> Any:
    """A record goes behind the part of another one, onto the same line."""
    right = RecordFile._put

    def put(self: RecordFile, line: bytes) -> str:
        self._torn = False
        return right(self, line)

    return _instead(RecordFile, "_put", put)


def _lines_flicker() -> Any:
    """A board that drops a change of its lines."""
    right = VirtualBox.edges

    def edges(self: VirtualBox) -> Any:
        return [edge for edge in right(self) if edge.levels != 64]

    return _instead(VirtualBox, "edges", edges)


def _reader_fails() -> Any:
    """A fault of ours in the reader thread."""

    def answered(self: ActiveSettings, query: Any) -> None:
        if query.request is Request.LEVELS:
            raise KeyError("levels")

    return _instead(ActiveSettings, "answered", answered)


def _spins() -> Any:
    """Whoever waits looks after overdue answers again and again, though there is no room to ask."""
    return _instead(
        answer_recovery.AnswerRecovery,
        "next_due",
        lambda self: min(
            (each.sent_s for each in self._exchange.open_requests.values()), default=None
        ),
    )


def _session_bit_not_looked_at() -> Any:
    """The reader takes no message for a sign that the box has started again."""

    def base_type(_self: Reader, marked: int, _tag: int) -> int:
        return marked & ~IN_SESSION

    return _instead(Reader, "_base_type", base_type)


def _holds_longer() -> Any:
    """Each step of a sequence stays a microsecond longer than it should."""
    right = Sequence.__init__

    def load(self: Sequence, box: Any, steps: list[tuple[int, int]], repeats: int) -> None:
        right(self, box, [(code, hold_us + 1) for code, hold_us in steps], repeats)

    return _instead(Sequence, "__init__", load)


def _probe_told_late() -> Any:
    """The end of what a probe saw is told as a later one than it was."""
    right = Probes.hear

    def hear(self: Probes, notice: ProbeEdges) -> None:
        edges = tuple(
            edge if edge.on else edge._replace(time_us=edge.time_us + 1) for edge in notice.edges
        )
        right(self, replace(notice, edges=edges))

    return _instead(Probes, "hear", hear)


PLANTED: dict[Callable[[], Any], tuple[str, int]] = {
    _clock_not_reset: ("time-in-bound", 3),
    _session_bit_not_looked_at: ("time-in-bound", 22),
    _bound_too_small: ("time-in-bound", 1),
    _sends_again: ("at-most-once", 17),
    _lost_means_done: ("confirmed-is-true", 1),
    _lost_means_refused: ("refused-is-true", 3),
    _stays_open: ("nothing-stays-open", 1),
    _width_of_before: ("log-true", 46),
    _byte_forgotten: ("bytes-reported", 5),
    _log_after: ("log-complete", 15),
    _answers_not_logged: ("log-complete", 0),
    _cut_line_not_told: ("log-loss-reported", 6),
    _lost_not_counted: ("log-complete", 15),
    _lost_restart: ("log-true", 971),
    _glued_to_torn_line: ("log-complete", 6),
    _lines_flicker: ("lines-lawful", 0),
    _holds_longer: ("sequence-at-its-time", 0),
    _probe_told_late: ("probe-edges-true", PROBED),
    _reader_fails: ("no-stuck-library", 0),
    _spins: ("no-stuck-library", 0),
}
