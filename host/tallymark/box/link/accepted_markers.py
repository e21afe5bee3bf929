"""Markers that the box has accepted for a later time: what becomes of each, by its number.

They hold neither window nor tag. The box tells the end of each by a notice; where that may be
missing, it is asked for the fate of the number (PROTOCOL.md, sections 3.4 and 6.1).
"""

from __future__ import annotations

import logging
from dataclasses import replace

from tallymark.box.link.event_dispatch import Scheduled
from tallymark.box.link.marker import Marker, Outcome, Result
from tallymark.box.link.pending_query import ANSWER_SECONDS, Query
from tallymark.box.link.request_window import RequestWindow
from tallymark.box.wire.answer_values import Fate, MarkerEdge
from tallymark.box.wire.frames import WIRE_SHORTEST
from tallymark.box.wire.protocol_enumerations import (
    NO_CUT,
    Answer,
    FateOutcome,
    Note,
    Reason,
    Request,
)
from tallymark.common.errors import Refused

logger = logging.getLogger("tallymark")

_FATE_TRIES = 2
_FATE_WIRE = WIRE_SHORTEST + 4
_SOON_S = 0.02
"""A marker that is due later than that is surely still to come when the next request is there."""


class AcceptedMarkers:
    """Looks after the accepted markers of one link. The exchange's lock is held."""

    def __init__(self, exchange: RequestWindow) -> None:
        self._exchange = exchange
        self._waiting = exchange.accepted
        self._tries = 0
        exchange.on_free.append(self._look)

    def accept(self, marker: Marker, number: int, end_unheard: bool = False) -> None:
        """The box has accepted a marker. end_unheard: that is known late, so it is asked at once
        what became of it."""
        twin = self._waiting.get(number)
        if twin is not None:  # numbers began anew, and nothing else has shown it
            self._exchange.end_unconfirmed(twin, "The box started again before its time came.")
            self._exchange.on_doubt()
            self._exchange.newest_number = 0
        self._exchange.release(marker)
        marker.accepted(number)
        self._exchange.newest_number = max(number, self._exchange.newest_number)
        if end_unheard:
            marker.due_s = self._exchange.now() - 2 * ANSWER_SECONDS
        self._waiting[number] = marker
        self._exchange.events.note(Scheduled(marker))
        self._exchange.changed.notify_all()

    def ended(self, edge: MarkerEdge) -> None:
        """The box has told the end of a marker."""
        marker = self._waiting.get(edge.number)
        if marker is None:
            return  # one of an earlier program, or its end was known before
        if edge.reason is None:
            self._done(marker, edge.time_us, edge.cut_lasted_us, edge.delay_us, edge.no_edge)
        else:
            self._refused(marker, edge.reason)

    def leave_a_place(self) -> bool:
        """Whether the box can still be asked about each of them if it accepts one marker more
        (PROTOCOL.md, 6.1): it gives away the place of the lowest number that does not wait. False:
        that one's end is not known yet, and the box is asked for it soon."""
        exchange = self._exchange
        number = exchange.newest_number + 1 + exchange.markers_ahead() - len(self._waiting)
        if not self._waiting or number - min(self._waiting) < exchange.places:
            return True
        now, still_waiting = exchange.now(), 0
        for lowest in sorted(self._waiting):
            marker = self._waiting[lowest]
            if self._is_to_come(marker, now):
                still_waiting += 1
            elif number - lowest + still_waiting < exchange.places:
                return True
            else:
                marker.due_s = min(marker.due_s, now + _SOON_S - ANSWER_SECONDS)
                return False
        return True

    def _is_to_come(self, marker: Marker, now: float) -> bool:
        """Whether its time is surely still to come."""
        clock = self._exchange.clock
        if marker.at_us is None or not clock:
            return False
        return marker.at_us > sum(clock.to_box(now + _SOON_S))

    def doubt(self) -> None:
        """Notices are missing: the ends of markers may be among them."""
        overdue = self._exchange.now() - 2 * ANSWER_SECONDS
        for marker in self._waiting.values():
            marker.due_s = min(marker.due_s, overdue)
        self._look()

    def _look(self) -> None:
        if self._waiting:
            self.look(self._exchange.now())

    def look(self, now: float) -> None:
        """Asks for the fate of a marker whose end should have been told."""
        for marker in self._waiting.values():
            if now - marker.due_s > ANSWER_SECONDS:
                self._ask(marker)
                return

    def _ask(self, marker: Marker) -> None:
        body = marker.ahead_number.to_bytes(4, "little")
        query = self._exchange.send_aside(Request.FATE_OF_NUMBER, body)
        if query is None:
            return
        query.on_end = lambda: self._take_fate(marker, query)
        logger.warning(
            "The end of marker %d (code %d) was not told; asking the box what became of it.",
            marker.number,
            marker.code,
        )

    def next_due(self) -> float | None:
        """When the next one has to be asked for, in host time (s)."""
        if not self._waiting or not self._exchange.can_send_aside(_FATE_WIRE):
            return None
        return min(marker.due_s for marker in self._waiting.values()) + ANSWER_SECONDS + 1e-6

    def _take_fate(self, marker: Marker, query: Query) -> None:
        exchange = self._exchange
        if exchange.failure is not None:
            return
        if marker.outcome is Outcome.ACCEPTED:
            if query.kind == Answer.FATE:
                self._tries = 0
                self._end_by_fate(marker, Fate.parse(query.body))
            else:
                self._tries += 1
                if self._tries == _FATE_TRIES:
                    self._tries = 0
                    for each in list(self._waiting.values()):
                        if exchange.now() - each.due_s > ANSWER_SECONDS:
                            exchange.end_unconfirmed(each, "The box does not answer.")

    def _end_by_fate(self, marker: Marker, fate: Fate) -> None:
        exchange = self._exchange
        if fate.outcome is not FateOutcome.UNKNOWN and fate.code != marker.code:
            fate = replace(fate, outcome=FateOutcome.UNKNOWN)
        if fate.outcome is FateOutcome.ACCEPTED:
            marker.due_s = max(exchange.now(), sum(exchange.clock.to_host(fate.time_us)))
        elif fate.outcome is FateOutcome.DONE:
            no_edge = bool(fate.notes & Note.NO_EDGE)
            self._done(marker, fate.time_us, fate.cut_lasted_us, fate.delay_us, no_edge)
        elif fate.outcome is FateOutcome.REFUSED:
            self._refused(marker, fate.reason)
        else:
            why = "The box has no record of it any more."
            exchange.end_unconfirmed(marker, why)
            exchange.on_doubt()  # or it has started again, unheard

    def _done(
        self, marker: Marker, time_us: int, cut_us: int | None, delay_us: int, no_edge: bool
    ) -> None:
        if marker.at_us is None or (time_us - delay_us - marker.at_us) % 2**32:
            why = (
                f"The box told an edge at {time_us} µs by its number, which is not its time: that "
                "of another marker, from before or after a start of the box."
            )
            self._exchange.end_unconfirmed(marker, why)
            self._exchange.on_doubt()
            return
        result = Result(Outcome.DONE, time_us, cut_us, delay_us, None, no_edge)
        self._exchange.end_marker(marker, result)

    def _refused(self, marker: Marker, reason: int) -> None:
        detail = NO_CUT if reason == Reason.CANCELLED else 0
        error = Refused(reason, detail, marker.request)
        self._exchange.end_marker(marker, Result(Outcome.REFUSED, error=error))
