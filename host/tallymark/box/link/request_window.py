"""Requests on their way to a box: the receive window, the tags, and how each request ends.

All state is under one lock. The rules are those of PROTOCOL.md, section 3: the bytes of unanswered
requests stay within the box's window and their tags within its history, at most one request is on
its way that is neither a marker nor a sequence step, and nothing is ever sent again.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from threading import Condition

from tallymark.box.link.active_settings import ActiveSettings
from tallymark.box.link.clock import ClockEstimate
from tallymark.box.link.event_dispatch import EventDispatch
from tallymark.box.link.marker import Marker, Outcome, Result, Waiter
from tallymark.box.link.pending_query import ANSWER_SECONDS, Query
from tallymark.box.link.tag_allocator import TagAllocator
from tallymark.box.link.window_lock import WindowLock
from tallymark.box.ports.timebase import Pacing
from tallymark.box.ports.transport import Transport
from tallymark.box.wire.answer_values import Identity, Started
from tallymark.box.wire.frames import CODE_WIRE, WIRE_SHORTEST, frame, pulse_frame, set_frame
from tallymark.box.wire.protocol_enumerations import (
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    Answer,
    Cause,
    Request,
)
from tallymark.common.errors import PortError, PortGone, TallymarkError, Unconfirmed

logger = logging.getLogger("tallymark")

_SET = Request.SET
_WHOLE_WINDOW = 1_000_000  # more than any window: nothing else can be sent beside it
_FIRST_WINDOW = 64  # until the box has given its window and history
_FIRST_HISTORY = 64


class RequestWindow:
    """The requests on their way to one box. Every method expects that `lock` is held.

    open_requests: requests without an answer, oldest first, by tag.
    query: the one among them that is neither a marker nor a sequence step; None if there is none.
    settings: the settings in force, as far as they are known.
    accepted: markers that the box has accepted for a later time, by their numbers there.
    places: how many of these it holds. newest_number: that of the one accepted last; 0: none.
    unconfirmed: markers of which nobody knows whether they went out.
    failure: why the link has ended; None while it works.
    bytes_reported: bytes of the byte input that the box has reported since its start.
    starts: how often the box has started since it was identified. on_restart: called then.
    session: the number of the session that this link has begun, 0 before. session_in_force: the box
    has confirmed it since its start. on_doubt: called where the box may have started again unheard.
    on_free: all called when a query has ended. on_over: called when the link has ended.
    notices_lost: notices of the box that did not arrive.
    newest_us: the newest box time that an answer told since the box started.
    """

    def __init__(
        self,
        transport: Transport,
        pacing: Pacing,
        clock: ClockEstimate,
        events: EventDispatch,
        after: RequestWindow | None = None,
    ) -> None:
        self.lock = WindowLock()
        self.changed = Condition(self.lock)  # type: ignore[arg-type]  # it takes any lock
        self.now = pacing.now
        self.clock = clock
        self.events = events
        self.settings = ActiveSettings()
        self.open_requests: dict[int, Marker | Query] = {}
        self.query: Query | None = None
        self.accepted: dict[int, Marker] = {}
        self.places = self.newest_number = 0
        self.unconfirmed: list[Marker] = after.unconfirmed if after else []
        self.marker_count: int = after.marker_count if after else 0
        self.failure: TallymarkError | None = None
        self.failure_reported = False
        self.closing = False
        self.bytes_reported = 0
        self.starts = 0
        self.session = 0
        self.session_in_force = False
        self.notices_lost = 0
        self.newest_us = 0
        self.on_restart: Callable[[], None] = lambda: None
        self.on_doubt: Callable[[], None] = lambda: None
        self.on_free: list[Callable[[], None]] = []
        self.on_over: Callable[[], None] = lambda: None
        self.tags = TagAllocator(_FIRST_HISTORY, 0)
        self._transport = transport
        self._write = transport.write
        self._history = _FIRST_HISTORY
        self._room = _FIRST_WINDOW

    def begin(self, identity: Identity) -> None:
        """Takes the box's window and history, after it was identified."""
        self._history = identity.history
        self.places = identity.places
        self.tags = TagAllocator(identity.history, self.tags.last)
        self._room = identity.window - sum(entry.room for entry in self.open_requests.values())
        self.changed.notify_all()

    def compare_clocks(self, sent_s: float, box_us: int, now: float) -> None:
        """Takes the box time of an answer. It may show a restart whose notice was lost."""
        if self.clock.has_begun_anew(sent_s, box_us):
            logger.warning("The box started again, and its notice of that was lost.")
            self.restart_unheard(sent_s)
        self.clock.add(sent_s, box_us, now)

    def forget_times_before(self, session: Query) -> None:
        """The session is begun again. Before that, no message could show a second start: so the
        clock begins with this answer."""
        if self.clock:
            self.events.box_started()  # what waits to be passed on has the clock of before
        self.clock.reset()
        box_us = int.from_bytes(session.body[:8], "little")
        self.newest_us = box_us
        self.clock.add(session.sent_s, box_us, session.received_s)

    def end_before_session(self, session: Query) -> None:
        """The session is begun again, and its answer can't show a second start before it: what was
        sent earlier and has no end by now has none that can be known."""
        why = "The box started again, and nothing more can be known of what was sent before that."
        for marker in self.open_markers():
            if self.tags.is_earlier(marker.tag, session.tag):
                self.end_unconfirmed(marker, why)
        for marker in list(self.accepted.values()):  # all of before: none is given meanwhile
            self.end_unconfirmed(marker, why)

    def restart_unheard(self, until_s: float | None, cause: Cause = Cause.UNKNOWN) -> None:
        """As `restart`, where the notice of it did not come. until_s: the box has started before
        it saw a request that was sent then; None: nothing is known of when."""
        self.restart(cause, float("inf") if until_s is None else until_s)
        self.events.note(Started("", cause))

    def restart(self, cause: Cause, until_s: float = float("inf")) -> None:
        """The box has started again, before host time `until_s` at the latest: it knows nothing of
        the markers that were open then."""
        self.starts += 1
        self.events.box_started()
        self.clock.reset()
        self.settings.forget()
        self.bytes_reported = 0
        self.newest_us = self.newest_number = 0
        self.tags = TagAllocator(self._history, self.tags.last)
        for marker in self.unended_markers():
            marker.after_us = 0
            if marker.sent_s < until_s:
                self.end_unconfirmed(marker, f"The box started again (cause: {cause.label}).")
        self.on_restart()

    # Sending -----------------------------------------------------------------------------------

    def is_free(self, wire: int) -> bool:
        """Whether a request of that many bytes may be sent now. False once the link has ended."""
        return self._room >= wire and (
            not self.open_requests or self.tags.in_reach(next(iter(self.open_requests)))
        )

    def send_marker(
        self,
        waiter: Waiter,
        request: Request,
        tag: int,
        code: int,
        width_us: int | None,
        data: bytes,
        now: float,
        held_back: float,
        at_us: int | None = None,
        due_s: float = 0.0,
    ) -> Marker:
        """Sends a marker request, which must fit: see `is_free`. Raises PortGone."""
        self.marker_count += 1
        room = len(data)
        marker = Marker(
            waiter, request, tag, self.marker_count, code, width_us, room, now, held_back
        )
        marker.after_us = self.newest_us
        if at_us is not None:
            marker.at_us, marker.due_s = at_us, due_s
        self.open_requests[tag] = marker
        self._room -= room
        try:
            self._write(data)
        except PortGone as error:
            self.fail(error)
            self.raise_failure()
        return marker

    def send_code(
        self, waiter: Waiter, request: Request, code: int, now: float, held_back: float
    ) -> Marker:
        """As `send_marker`, for a code alone: with the next tag, and fewer calls on its way."""
        number = self.marker_count = self.marker_count + 1
        tag = self.tags.take()
        data = set_frame(tag, code) if request is _SET else pulse_frame(tag, code)
        marker = self.open_requests[tag] = Marker(
            waiter, request, tag, number, code, None, CODE_WIRE, now, held_back
        )
        marker.after_us = self.newest_us
        self._room -= CODE_WIRE
        try:
            self._write(data)
        except PortGone as error:
            self.fail(error)
            self.raise_failure()
        return marker

    def sent_by_partner(
        self,
        waiter: Waiter,
        request: Request,
        code: int,
        width_us: int | None,
        now: float,
        room: int,
        rest: bytes,
    ) -> Marker:
        """Takes note of a marker that the lock's partner has handed to the port, with the next tag
        and number. rest: what of its frame the port has not taken yet."""
        self.marker_count += 1
        tag = self.tags.take()
        marker = self.open_requests[tag] = Marker(
            waiter, request, tag, self.marker_count, code, width_us, room, now, 0.0
        )
        marker.after_us = self.newest_us
        self._room -= room
        if rest:
            try:
                self._write(rest)
            except PortGone as error:
                self.fail(error)
        return marker

    def send_query(
        self,
        request: Request,
        body: bytes,
        seconds: float = ANSWER_SECONDS,
        alone: bool = False,
        many: bool = False,
    ) -> Query:
        """Sends another request, which must fit. A port that is gone ends the query.

        alone: nothing more fits until the answer came. many: others of its kind may be on their
        way.
        """
        room = len(body) + WIRE_SHORTEST
        query = Query(request, self.tags.take(), room, self.now(), seconds)
        data = frame(request, query.tag, body)
        if not many:
            self.query = query
        query.asked = body
        query.room = _WHOLE_WINDOW if alone else len(data)
        self.settings.asked(request)
        self.open_requests[query.tag] = query
        self._room -= query.room
        try:
            self._write(data)
        except PortGone as error:
            self.fail(error)  # ends this query too
        return query

    def send_aside(self, request: Request, body: bytes) -> Query | None:
        """Sends a request for whose answer nobody waits; None while there is no room for it, or
        while another one is on its way."""
        if not self.can_send_aside(len(body) + WIRE_SHORTEST):
            return None
        return self.send_query(request, body)

    def send_identify(self) -> Query | None:
        """As `send_aside`, the question who the box is and which session is in force."""
        return self.send_aside(Request.IDENTIFY, bytes((PROTOCOL_MAJOR, PROTOCOL_MINOR)))

    def can_send_aside(self, wire: int) -> bool:
        """Whether `send_aside` has room for a request of that many bytes."""
        return self.query is None and self._room >= wire and self.tags.next != 0

    # How requests end --------------------------------------------------------------------------

    def open_markers(self) -> list[Marker]:
        """Markers without an answer, oldest first."""
        return [entry for entry in self.open_requests.values() if isinstance(entry, Marker)]

    def unended_markers(self) -> list[Marker]:
        """Those, and those that wait for their time in the box."""
        return self.open_markers() + list(self.accepted.values())

    def markers_ahead(self) -> int:
        """How many markers ahead have no end yet, those included that the box may still refuse."""
        asked = sum(marker.at_us is not None for marker in self.open_markers())
        return asked + len(self.accepted)

    def release(self, marker: Marker) -> None:
        """The box has accepted a marker: its request is answered."""
        self._remove(marker)

    def end_marker(self, marker: Marker, result: Result) -> None:
        """The outcome of a marker is known, or known to stay unknown."""
        if self.accepted.pop(marker.ahead_number, None) is None:
            self._remove(marker)
        if marker.at_us is not None and result.box_time_us is not None and self.clock:
            result = result._replace(host_time=self.clock.to_host(result.box_time_us))
        marker.resolve(result)
        if isinstance(result.error, Unconfirmed):
            self.unconfirmed.append(marker)
            text = f"is unconfirmed: {result.error.why}"
            logger.warning("Marker %d (code %d) %s", marker.number, marker.code, text)
        elif result.error is not None:
            logger.warning("Marker %d (code %d): %s", marker.number, marker.code, result.error)
        self.events.note(marker)
        self.changed.notify_all()

    def end_unconfirmed(self, marker: Marker, why: str) -> None:
        """Nobody can know any more whether a marker went out."""
        error = Unconfirmed(why, [(marker.number, marker.code)])
        self.end_marker(marker, Result(Outcome.UNCONFIRMED, error=error))

    def end_query(
        self,
        query: Query,
        kind: int,
        body: bytes,
        error: TallymarkError | None,
        now: float | None = None,
    ) -> None:
        """The answer to a query came (kind is its type), or none will (kind 0, with the error)."""
        self._remove(query)
        if self.query is query:
            self.query = None
        if now is not None:
            query.received_s = now
        query.body = body
        query.error = error
        query.kind = kind
        query.bytes_reported = self.bytes_reported
        self.settings.answered(query)
        if now is not None and kind == Answer.DONE and query.request is Request.CLOCK:
            box_us = int.from_bytes(body, "little")
            self.compare_clocks(query.sent_s, box_us, now)
            self.newest_us = max(self.newest_us, box_us)
        if query.on_end is not None:
            query.on_end()
        for go_on in self.on_free:
            go_on()
        self.changed.notify_all()

    def give_room_back(self, entry: Marker | Query) -> None:
        """The bytes of a request are not in the box's receive window any more."""
        if entry.room:
            self._room += entry.room
            entry.room = 0

    def _remove(self, entry: Marker | Query) -> None:
        self.give_room_back(entry)
        del self.open_requests[entry.tag]
        if not self.open_requests and not self.tags.next:
            self.fail(self._transport.gone("it no longer answers"))

    # The end -----------------------------------------------------------------------------------

    @property
    def ended(self) -> bool:
        """Whether the link is closed or broken."""
        return self.closing or self.failure is not None

    def raise_failure(self) -> None:
        """Raises why nothing can be sent any more, if so."""
        if self.failure is not None:
            self.failure_reported = True
            raise self.failure
        if self.closing:
            raise self._closed()

    def fail(self, error: PortGone) -> None:
        """The link is broken: every open marker is unconfirmed."""
        if self.failure is not None:
            return
        listed = [(marker.number, marker.code) for marker in self.unended_markers()]
        self.failure = PortGone(error.port, str(error), listed)
        self._end_all(str(error), self.failure)

    def fail_taken(self) -> None:
        """Another session is in force: another program has the box."""
        self.fail(self._transport.gone(
            "another program has begun to use this box over the same connection"
        ))

    def close(self) -> None:
        """Nothing more may be sent. Open requests can still be answered."""
        self.closing = True
        self._room = -_WHOLE_WINDOW  # so that the next marker looks for the reason
        self.changed.notify_all()

    def end(self) -> None:
        """The port is closed: what has no answer now will have none."""
        self._end_all("The box was closed.", self._closed())

    def _end_all(self, why: str, error: TallymarkError) -> None:
        for entry in list(self.open_requests.values()):
            self._room = -_WHOLE_WINDOW  # so that nothing is sent by what a query's end sets off
            if isinstance(entry, Marker):
                self.end_unconfirmed(entry, why)
            else:
                self.end_query(entry, 0, b"", error)
        for marker in list(self.accepted.values()):
            self.end_unconfirmed(marker, why)
        self._room = -_WHOLE_WINDOW
        self.on_over()
        self.changed.notify_all()

    def _closed(self) -> PortError:
        return PortError(self._transport.name, "This box was closed. Open it again.")
