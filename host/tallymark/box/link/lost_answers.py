"""Answers that don't come: when they are overdue, and how their markers' fate is found out.

A marker is never sent again. Instead the box is asked for the fate of its tag, one marker after
the other, and what can't be found out in that way is unconfirmed.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from tallymark.errors import NoAnswer, Refused
from tallymark.box.link.marker import Marker, Outcome, Result
from tallymark.box.wire.messages import Answer, FateOutcome, Request
from tallymark.box.link.query import ANSWER_SECONDS, Query
from tallymark.box.settings import GAP_LONGEST_US
from tallymark.box.wire.values import Fate

if TYPE_CHECKING:
    from tallymark.box.link.link import Link

logger = logging.getLogger("tallymark")

_FATE_TRIES = 2
_FATE_WIRE = 7
"""Bytes on the wire of the question for a fate."""


class Overdue:
    """Looks after a link's answers that are overdue. Its lock is held, except in `look_after`."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._fate_tries = 0

    def look_after(self) -> None:
        """Ends what is overdue, or begins to find out about it."""
        with self._link.lock:
            if self._link.open_requests and self._link.failure is None:
                now = self._link.pacing.now()
                oldest = next(iter(self._link.open_requests.values()))
                if now - oldest.sent_s > ANSWER_SECONDS:
                    self._look(now)

    def _look(self, now: float) -> None:
        for entry in list(self._link.open_requests.values()):
            if isinstance(entry, Query):
                if not entry.ended and now - entry.sent_s > entry.seconds:
                    self._link.end_query(entry, 0, b"", NoAnswer(entry.request, entry.seconds))
            elif entry.outcome is Outcome.OPEN and now - entry.asked_s > ANSWER_SECONDS:
                self._link.give_room_back(entry)
                self._ask_fate(entry, now)

    def suspect_earlier(self, answered: Marker, now: float) -> None:
        """The box answers in order, but for a marker that waits for its gap. So an earlier request
        without an answer has lost it, or never arrived: act at once, while the box remembers."""
        oldest = next(iter(self._link.open_requests.values()))
        if not self._link.tags.is_earlier(oldest.tag, answered.tag):
            return
        if isinstance(oldest, Query):
            self._link.end_query(oldest, 0, b"", NoAnswer(oldest.request, oldest.seconds))
        elif oldest.asked_s == oldest.sent_s:
            oldest.asked_s = now - 2 * ANSWER_SECONDS
            self._look(now)
        elif now - oldest.asked_s > ANSWER_SECONDS:
            self._look(now)  # there may be room for the question now

    def _ask_fate(self, marker: Marker, now: float) -> None:
        if not self._link.tags.is_remembered(marker.tag):
            self._link.unconfirm(marker, "Too many requests followed for the box to remember it.")
            return
        query = self._link.ask_aside(Request.FATE, bytes((marker.tag,)), now)
        if query is None:
            return
        query.on_end = lambda: self._fate_came(marker, query)
        logger.warning(
            "The answer to marker %d (code %d) is overdue; asking the box what became of it.",
            marker.number,
            marker.code,
        )

    def _fate_came(self, marker: Marker, query: Query) -> None:
        now = self._link.pacing.now()
        if self._link.failure is not None:
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
                for entry in list(self._link.open_requests.values()):
                    if isinstance(entry, Marker) and now - entry.sent_s > ANSWER_SECONDS:
                        self._link.unconfirm(entry, "The box does not answer.")
        self._look(now)

    def _end_by_fate(self, marker: Marker, fate: Fate) -> None:
        if fate.outcome is FateOutcome.DONE:
            self._link.end_marker(marker, Result(Outcome.DONE, fate.time_us))
        elif fate.outcome is FateOutcome.REFUSED:
            error = Refused(fate.reason, 0, marker.request)
            self._link.end_marker(marker, Result(Outcome.REFUSED, error=error))
        elif fate.outcome is FateOutcome.UNKNOWN:
            why = "The box knows nothing of it: its request was lost on the way."
            self._link.unconfirm(marker, why)

    def next_due(self) -> float | None:
        """When the next answer is overdue."""
        if not self._link.open_requests:
            return None
        oldest = next(iter(self._link.open_requests.values()))
        if self._link.pacing.now() - oldest.sent_s <= ANSWER_SECONDS:
            return oldest.sent_s + ANSWER_SECONDS + 1e-6
        due = None
        for entry in self._link.open_requests.values():
            if isinstance(entry, Query):
                at = entry.sent_s + entry.seconds
            elif entry.room or self._link.can_ask_aside(_FATE_WIRE):
                at = entry.asked_s + ANSWER_SECONDS
            else:
                continue  # its fate can only be asked when another request has ended
            due = at if due is None else min(due, at)
        return None if due is None else due + 1e-6
