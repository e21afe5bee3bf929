"""Answers that don't come: when they are overdue, and how the box is asked what became of a marker.

A marker is never sent again. Instead the box is asked for the fate of its tag, one marker after
the other, and what can't be found out in that way is unconfirmed. Where asking would come too late,
the next request is held back until it was asked (`RequestWindow.is_free`).
"""

from __future__ import annotations

import logging

from tallymark.box.link.accepted_markers import AcceptedMarkers
from tallymark.box.link.marker import Marker, Outcome, Result
from tallymark.box.link.pending_query import ANSWER_SECONDS, Query
from tallymark.box.link.request_window import RequestWindow
from tallymark.box.settings import GAP_LONGEST_US
from tallymark.box.wire.answer_values import Fate
from tallymark.box.wire.frames import WIRE_SHORTEST
from tallymark.box.wire.protocol_enumerations import (
    NO_CUT,
    Answer,
    FateOutcome,
    Note,
    Reason,
    Request,
)
from tallymark.common.errors import NoAnswer, Refused

logger = logging.getLogger("tallymark")

_FATE_TRIES = 2
_FATE_WIRE = WIRE_SHORTEST + 1
"""Bytes on the wire of the question for a fate."""


class AnswerRecovery:
    """Looks after overdue answers. The exchange's lock is held, except in `look_after`."""

    def __init__(self, exchange: RequestWindow, accepted: AcceptedMarkers) -> None:
        self._exchange = exchange
        self._accepted = accepted
        self._fate_tries = 0

    def look_after(self) -> None:
        """Ends what is overdue, or begins to find out about it."""
        exchange = self._exchange
        with exchange.lock:
            if exchange.open_requests and exchange.failure is None:
                now = exchange.now()
                oldest = next(iter(exchange.open_requests.values()))
                if now - oldest.sent_s > ANSWER_SECONDS:
                    self._look(now)
            if exchange.accepted and exchange.failure is None:
                self._accepted.look(exchange.now())

    def ask_at_once(self, marker: Marker, now: float) -> None:
        """The box has refused a tag that isn't ahead: an earlier copy of the request may have
        arrived, and its answer been lost."""
        if marker.asked_s == marker.sent_s:
            marker.asked_s = now - 2 * ANSWER_SECONDS
        self._look(now)

    def _look(self, now: float) -> None:
        for entry in list(self._exchange.open_requests.values()):
            if isinstance(entry, Query):
                if not entry.ended and now - entry.sent_s > entry.seconds:
                    self._exchange.end_query(entry, 0, b"", NoAnswer(entry.request, entry.seconds))
            elif entry.outcome is Outcome.OPEN and now - entry.asked_s > ANSWER_SECONDS:
                self._exchange.give_room_back(entry)
                self._ask_fate(entry)

    def suspect_earlier(self, answered: Marker, now: float) -> None:
        """The box answers in order, except for a marker that waits for its gap. So an earlier
        request without an answer has lost it, or never arrived: act at once, while the box
        remembers."""
        oldest = next(iter(self._exchange.open_requests.values()))
        if not self._exchange.tags.is_earlier(oldest.tag, answered.tag):
            return
        if isinstance(oldest, Query):
            self._exchange.end_query(oldest, 0, b"", NoAnswer(oldest.request, oldest.seconds))
        elif oldest.asked_s == oldest.sent_s:
            oldest.asked_s = now - 2 * ANSWER_SECONDS
            self._look(now)
        elif now - oldest.asked_s > ANSWER_SECONDS:
            self._look(now)  # there may be room for the question now

    def _ask_fate(self, marker: Marker) -> None:
        if not self._exchange.tags.is_remembered(marker.tag):
            why = "Too many requests followed for the box to remember it."
            self._exchange.end_unconfirmed(marker, why)
            return
        query = self._exchange.send_aside(Request.FATE, bytes((marker.tag,)))
        if query is None:
            return
        query.on_end = lambda: self._take_fate(marker, query)
        logger.warning(
            "The answer to marker %d (code %d) is overdue; asking the box what became of it.",
            marker.number,
            marker.code,
        )

    def _take_fate(self, marker: Marker, query: Query) -> None:
        exchange = self._exchange
        now = exchange.now()
        if exchange.failure is not None:
            return
        if query.kind == Answer.FATE:
            self._fate_tries = 0
            if marker.outcome is Outcome.OPEN:
                marker.asked_s = now + GAP_LONGEST_US * 1e-6  # if it waits
                self._end_by_fate(marker, Fate.parse(query.body))
        else:
            self._fate_tries += 1
            if self._fate_tries == _FATE_TRIES:
                self._fate_tries = 0
                for entry in exchange.open_markers():
                    if now - entry.sent_s > ANSWER_SECONDS:
                        exchange.end_unconfirmed(entry, "The box does not answer.")
        self._look(now)

    def _end_by_fate(self, marker: Marker, fate: Fate) -> None:
        known = fate.outcome is not FateOutcome.UNKNOWN and fate.code == marker.code
        if fate.outcome in (FateOutcome.DONE, FateOutcome.REFUSED):
            known = known and fate.time_us >= marker.after_us  # else of one with this tag before
        if not known:
            why = "The box has no record of it: most likely the request was lost in transmission."
            self._exchange.end_unconfirmed(marker, why)
            self._exchange.on_doubt()  # or the box has started again, unheard
        elif fate.outcome is FateOutcome.ACCEPTED:
            self._accepted.accept(marker, fate.number, end_unheard=True)
        elif fate.outcome is FateOutcome.DONE:
            result = Result(
                Outcome.DONE,
                fate.time_us,
                fate.cut_lasted_us,
                fate.delay_us,
                no_edge=bool(fate.notes & Note.NO_EDGE),
            )
            self._exchange.end_marker(marker, result)
        elif fate.outcome is FateOutcome.REFUSED:
            cut = NO_CUT if fate.cut_lasted_us is None else fate.cut_lasted_us
            detail = cut if fate.reason == Reason.CANCELLED else 0
            error = Refused(fate.reason, detail, marker.request)
            self._exchange.end_marker(marker, Result(Outcome.REFUSED, error=error))

    def next_due(self) -> float | None:
        """When the next answer or end is overdue, in host time (s); None while nothing is open."""
        dues = [due for due in (self._next_answer(), self._accepted.next_due()) if due is not None]
        return min(dues, default=None)

    def _next_answer(self) -> float | None:
        exchange = self._exchange
        if not exchange.open_requests:
            return None
        oldest = next(iter(exchange.open_requests.values()))
        if exchange.now() - oldest.sent_s <= ANSWER_SECONDS:
            return oldest.sent_s + ANSWER_SECONDS + 1e-6
        due = None
        for entry in exchange.open_requests.values():
            if isinstance(entry, Query):
                at = entry.sent_s + entry.seconds
            elif (
                entry.room
                or exchange.can_send_aside(_FATE_WIRE)
                or not exchange.tags.is_remembered(entry.tag)  # unconfirmed without being asked
            ):
                at = entry.asked_s + ANSWER_SECONDS
            else:
                continue  # its fate can only be asked when another request has ended
            due = at if due is None else min(due, at)
        return None if due is None else due + 1e-6
