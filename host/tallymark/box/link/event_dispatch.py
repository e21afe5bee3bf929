"""Passes on what happened: to a marker log, and to whoever listens.

A link notes events while it holds its lock; its reader thread passes them on afterwards, in the
same order, so that a slow listener holds up no marker.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable
from typing import NamedTuple, Protocol

from tallymark.box.link.clock import ClockEstimate
from tallymark.box.link.marker import Marker
from tallymark.box.wire.answer_values import (
    AnyNotice,
    ByteMarker,
    HoldEnded,
    NoticesLost,
    ProbeEdges,
    Started,
)
from tallymark.box.wire.protocol_enumerations import NO_CUT, Reason, Request
from tallymark.common.errors import Refused, Unconfirmed
from tallymark.common.signature import Form
from tallymark.markerlog.log_data import LoggedMarker
from tallymark.markerlog.notice_records import from_notice

logger = logging.getLogger("tallymark")


class Log(Protocol):
    """A marker log, as the link uses it. Times in microseconds; `host_us` is `pacing.now()`."""

    def sent(
        self,
        number: int,
        code: int,
        width_us: int | None = None,
        name: str | None = None,
        host_us: int | None = None,
        stays: bool | None = None,
    ) -> None:
        """A marker is about to be handed to the port. Whatever this raises is reported, and the
        marker is sent all the same."""

    def scheduled(self, number: int, box_us: int, host_us: int, error_us: int) -> None:
        """The box accepted a marker for that time. `answered` or `refused` tells its end."""

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
        """A marker went out; no_edge: the lines had its code already."""

    def refused(self, number: int, why: str, cut_us: int | None = None) -> None:
        """The box refused a marker; a cancelled one may have cut a pulse before that."""

    def unconfirmed(self, number: int, why: str) -> None:
        """Nobody knows whether a marker went out."""

    def byte_marker(self, entry: LoggedMarker) -> None:
        """A byte came in on the byte input, and went out or was refused."""

    def hold_ended(
        self, code: int, box_us: int, host_us: int | None, error_us: int | None
    ) -> None:
        """The box took a code to idle after its hold limit. No host time where the box started
        again before the clocks were compared."""

    def notices_lost(self, count: int) -> None:
        """Notices of the box did not arrive."""

    def probe_edge(
        self, probe: str, on: bool, box_us: int, host_us: int | None, error_us: int | None
    ) -> None:
        """What a probe ("light", "sound" or "ttl") sees went on or off. Host time as in
        `hold_ended`."""

    def probe_edges_lost(self, count: int) -> None:
        """Edges of probes had no room in the box, just before those that follow."""

    def restarted(self, cause: str) -> None:
        """The box started again, and its time begins at 0."""

    def signature(self, count: int, session: int, form: Form, host_us: int) -> None:
        """A signature is about to be sent, the session's `count`-th."""

    def signed(self, count: int, box_us: int, host_us: int, error_us: int) -> None:
        """That signature's first edge went out."""

    def signature_cut(self, count: int, pulses: int) -> None:
        """Somebody stopped it: only so many of its pulses went out."""

    def signature_failed(self, count: int, why: str, *, unknown: bool) -> None:
        """It did not go out; or nobody knows, if `unknown`."""


_STARTS = frozenset((Request.SEQUENCE_START, Request.SEQUENCE_START_AT))
"""Not in the marker log, nor are a sequence's steps."""


class Scheduled(NamedTuple):
    """The box has accepted a marker for a later time."""

    marker: Marker


class EventDispatch:
    """Events that wait to be passed on.

    clock_of_event: converts the times of the event that is being passed on; for listeners, while
    they are called. Where the box has started again meanwhile, it is not the link's clock.
    """

    def __init__(
        self, clock: ClockEstimate, log: Log | None, listener: Callable[[AnyNotice], None] | None
    ) -> None:
        self.log = log
        self.clock_of_event = clock
        self._clock = clock
        self._listener = listener
        self._events: deque[tuple[Marker | Scheduled | AnyNotice, ClockEstimate]] = deque()

    def sent(
        self, number: int, code: int, width_us: int | None, name: str | None, now: float,
        stays: bool,
    ) -> None:
        """A marker is about to be sent. No log can keep it from that."""
        log = self.log
        if log is None:
            return
        try:
            log.sent(number, code, width_us, name, round(now * 1e6), stays)
        except Exception:
            self.sent_failed()

    def sent_failed(self) -> None:
        """The log has raised an error before a marker, which is sent all the same."""
        logger.exception(
            "The marker log failed. Markers still go to the box, but they are not in the log."
        )

    def note(self, event: Marker | Scheduled | AnyNotice) -> None:
        """A marker's story ended, or a notice came in."""
        self._events.append((event, self._clock))

    def box_started(self) -> None:
        """The box started again, and the clock is about to forget. What waits to be passed on has
        times of the run before, which only that run's clock can convert."""
        past = self._clock.copy()
        for at, (event, clock) in enumerate(self._events):
            if clock is self._clock:
                self._events[at] = event, past

    def pass_on(self, last: bool = False) -> None:
        """Passes on what was noted. Called by one thread only.

        Times can't be converted before the clocks were compared, just after a restart. Then events
        wait for that, unless this is the last call, or the box has started once more."""
        while self._events:
            event, clock = self._events[0]
            timed = getattr(event, "box_time_us", None) is not None or isinstance(
                event, ByteMarker | HoldEnded | ProbeEdges
            )
            if timed and not last and not clock and clock is self._clock:
                return
            self._events.popleft()
            self.clock_of_event = clock
            try:
                self._log(event, clock)
            except Exception:
                logger.exception("The marker log failed; it is incomplete from here on.")
            if not isinstance(event, Marker | Scheduled) and self._listener is not None:
                self._listener(event)

    def _log(self, event: Marker | Scheduled | AnyNotice, clock: ClockEstimate) -> None:
        log = self.log
        if log is None:
            return
        if isinstance(event, Marker):
            if event.request not in _STARTS:
                _log_marker(log, event, clock)
        elif isinstance(event, Scheduled):
            at_us = event.marker.at_us
            if clock and at_us is not None and event.marker.request not in _STARTS:
                log.scheduled(event.marker.number, at_us, *clock.to_host_us(at_us))
        elif isinstance(event, Started):
            log.restarted(event.cause.label)
        elif isinstance(event, NoticesLost):
            log.notices_lost(event.count)
        elif isinstance(event, ByteMarker):
            log.byte_marker(from_notice(event, clock))
        elif isinstance(event, HoldEnded):
            host_us, error_us = clock.to_host_us(event.time_us) if clock else (None, None)
            log.hold_ended(event.code, event.time_us, host_us, error_us)
        elif isinstance(event, ProbeEdges):
            if event.lost:
                log.probe_edges_lost(event.lost)
            for time_us, probe, on in event.edges:
                host_us, error_us = clock.to_host_us(time_us) if clock else (None, None)
                log.probe_edge(probe, on, time_us, host_us, error_us)


def _log_marker(log: Log, marker: Marker, clock: ClockEstimate) -> None:
    if marker.box_time_us is not None and not clock:
        log.unconfirmed(marker.number, f"It was out at {marker.box_time_us} µs of the box's time, "
                                       "but the clocks were not synchronised, so its host time is "
                                       "not known.")
        return
    if marker.box_time_us is not None:
        host_us, error_us = clock.to_host_us(marker.box_time_us)
        log.answered(
            marker.number,
            marker.box_time_us,
            host_us,
            error_us,
            marker.cut_lasted_us,
            marker.told_delay_us,
            marker.no_edge,
        )
        return
    error = marker.error
    if isinstance(error, Refused):
        cut_us = None
        if error.reason is Reason.CANCELLED and error.detail != NO_CUT:
            cut_us = error.detail
        log.refused(marker.number, error.reason.label if error.reason else str(error), cut_us)
    elif isinstance(error, Unconfirmed):
        log.unconfirmed(marker.number, error.why)
