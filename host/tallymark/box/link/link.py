"""The conversation with one box: markers and questions, sent and waited for.

`RequestWindow` keeps the requests on their way, `Reader` takes what comes back, `AnswerRecovery`
finds out what became of a marker whose answer is overdue. No marker is ever sent again.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress

from tallymark.box.link.accepted_markers import AcceptedMarkers
from tallymark.box.link.answer_recovery import AnswerRecovery
from tallymark.box.link.clock import ClockEstimate, wander_of
from tallymark.box.link.event_dispatch import EventDispatch, Log
from tallymark.box.link.marker import Marker, Outcome
from tallymark.box.link.pending_query import ANSWER_SECONDS, Query
from tallymark.box.link.reader import Reader
from tallymark.box.link.request_window import RequestWindow
from tallymark.box.link.window_lock import Partner
from tallymark.box.ports.timebase import Pacing, RealTime
from tallymark.box.ports.transport import Transport
from tallymark.box.wire.answer_values import AnyNotice, Identity
from tallymark.box.wire.frames import (
    CODE_WIDTH_WIRE,
    CODE_WIRE,
    TIMED_WIRE,
    WIRE_SHORTEST,
    code_frame,
    code_width_frame,
    frame,
    timed_frame,
)
from tallymark.box.wire.protocol_enumerations import Request
from tallymark.common.errors import BadValue, NoAnswer, TallymarkError

_SET = Request.SET


def session_number() -> int:
    """A number by which the box tells this session from others: random, not 0."""
    return int.from_bytes(os.urandom(4), "little") or 1


class Link:
    """The conversation with one box. Thread-safe.

    after: an earlier link to the same box, closed by now; markers are numbered on from there.
    """

    def __init__(
        self,
        transport: Transport,
        pacing: Pacing,
        log: Log | None = None,
        on_notice: Callable[[AnyNotice], None] | None = None,
        after: Link | None = None,
    ) -> None:
        self.pacing = pacing
        self.clock = ClockEstimate()
        self.events = EventDispatch(self.clock, log, on_notice)
        self._transport = transport
        self._now = pacing.now
        earlier = after._exchange if after else None
        self._exchange: RequestWindow = RequestWindow(
            transport, pacing, self.clock, self.events, earlier
        )
        self.lock = self._exchange.lock
        self._take_lock, self._leave_lock = self.lock.raw.acquire, self.lock.raw.release
        self._accepted = accepted = AcceptedMarkers(self._exchange)
        self._lost_answers = AnswerRecovery(self._exchange, accepted)
        looks = isinstance(pacing, RealTime)
        self._reader = Reader(transport, self._exchange, self._lost_answers, accepted, looks)
        self._reader.start()

    # What is known -----------------------------------------------------------------------------

    @property
    def unconfirmed(self) -> list[Marker]:
        """Markers of which nobody knows whether they went out."""
        return self._exchange.unconfirmed

    @property
    def failure(self) -> TallymarkError | None:
        """Why the link has broken; None while it works."""
        return self._exchange.failure

    @property
    def failure_reported(self) -> bool:
        """Whether a caller was given that error."""
        return self._exchange.failure_reported

    @property
    def starts(self) -> int:
        """How often the box has started since it was identified."""
        return self._exchange.starts

    @property
    def starts_heard(self) -> int:
        """How many notices of a start came, those before the box was identified included."""
        return self._reader.starts_heard

    @property
    def notices_lost(self) -> int:
        """How many notices of the box did not arrive, as far as that is known."""
        return self._exchange.notices_lost

    @property
    def sequences_ended(self) -> int:
        """How many sequences have ended by themselves."""
        return self._reader.sequences_ended

    @property
    def late_answers(self) -> int:
        """Answers that came when nobody waited for them any more."""
        return self._reader.late_answers

    @property
    def broken_frames(self) -> int:
        """Frames from the box that arrived damaged."""
        return self._reader.broken_frames

    # A sender outside Python -------------------------------------------------------------------

    @property
    def window(self) -> RequestWindow:
        """The requests on their way, for a partner of the lock."""
        return self._exchange

    @property
    def transport(self) -> Transport:
        """The way to the port, for a partner of the lock."""
        return self._transport

    def share_lock(self, partner: Partner) -> None:
        """From now on a partner sends too. No other thread may send a marker meanwhile."""
        self._take_lock, self._leave_lock = self.lock.acquire, self.lock.release
        self.lock.share(partner)

    # Opening -----------------------------------------------------------------------------------

    def close_noise(self) -> None:
        """Sends one zero, which ends whatever noise went before the first request."""
        with self.lock:
            self._transport.write(b"\0")

    def begin(self, identity: Identity) -> None:
        """Takes the box's window and history, after it was identified, and begins a session.

        Raises NoAnswer, PortGone."""
        with self.lock:
            self._reader.identified = True
            self._exchange.begin(identity)
            self.clock.wander = wander_of(identity.board)
            session = self._exchange.session or session_number()
            self._exchange.session = session
        self.ask_again(Request.SESSION, session.to_bytes(4, "little"))
        with self.lock:
            self._exchange.session_in_force = True

    # Markers -----------------------------------------------------------------------------------

    def put_code(self, request: Request, code: int, name: str | None) -> Marker:
        """Sends a marker whose body is a code alone, to go out at once. As `put`, with less on its
        way: this is what most programs call, at a time that counts."""
        exchange = self._exchange
        self._take_lock()  # half of what a `with` takes
        try:
            held_back = 0.0
            if not exchange.is_free(CODE_WIRE):
                held_back = self._wait_until_free(CODE_WIRE)
            now = self._now()
            if (log := self.events.log) is not None:
                stays = request is _SET
                width_us = None if stays else exchange.settings.width_us
                number = exchange.marker_count + 1
                try:  # no log can keep a marker from being sent
                    log.sent(number, code, width_us, name, round(now * 1e6), stays)
                except Exception:
                    self.events.sent_failed()
            return exchange.send_code(self, request, code, now, held_back)
        finally:
            self._leave_lock()

    def put(
        self,
        request: Request,
        code: int,
        width_us: int | None,
        name: str | None,
        expiry_us: int | None = None,
        at_us: int | None = None,
        due_s: float = 0.0,
    ) -> Marker:
        """Sends a marker whose body is a code, with a width for PULSE_FOR; with an expiry in box
        time it goes as TIMED, and with a time `at_us`, which is due_s of the host's, it is a marker
        ahead."""
        exchange = self._exchange
        wire = CODE_WIRE if width_us is None else CODE_WIDTH_WIRE
        if expiry_us is not None:
            wire = TIMED_WIRE
        with self.lock:
            held_back = 0.0
            if not exchange.is_free(wire):
                held_back = self._wait_until_free(wire)
            if at_us is not None and not self._accepted.leave_a_place():
                held_back += self._wait_until(
                    lambda: self._accepted.leave_a_place() and exchange.is_free(wire)
                )
            if at_us is not None and exchange.markers_ahead() >= exchange.places:
                raise BadValue(
                    f"The box holds {exchange.places} markers ahead, and as many wait for their "
                    "time. This one was not sent: wait for one of them, or cancel it."
                )
            if at_us is not None:
                self._check_session()
            now = self._now()
            if self.events.log is not None:
                stays = request is _SET
                known = exchange.settings.width_us
                width = known if width_us is None and not stays else width_us
                number = exchange.marker_count + 1
                self.events.sent(number, code, width, name, now, stays)
            tag = exchange.tags.take()
            if expiry_us is not None:
                data = timed_frame(tag, request is _SET, code, width_us or 0, expiry_us, at_us)
                request = Request.TIMED
            elif width_us is None:
                data = code_frame(request, tag, code)
            else:
                data = code_width_frame(request, tag, code, width_us)
            return exchange.send_marker(
                self, request, tag, code, width_us, data, now, held_back, at_us, due_s
            )

    def put_start(self, repeats: int, at_us: int | None = None, due_s: float = 0.0) -> Marker:
        """Sends SEQUENCE_START, which is a marker request too; with a box time `at_us`, which is
        due_s of the host's, SEQUENCE_START_AT."""
        exchange = self._exchange
        request, body = Request.SEQUENCE_START, repeats.to_bytes(4, "little")
        if at_us is not None:
            request = Request.SEQUENCE_START_AT
            body += (at_us % 2**32).to_bytes(4, "little")
        with self.lock:
            held_back = self._wait_until_free(len(body) + WIRE_SHORTEST)
            if at_us is not None:
                self._check_session()
            tag = exchange.tags.take()
            data = frame(request, tag, body)
            return exchange.send_marker(
                self, request, tag, 0, None, data, self._now(), held_back, at_us, due_s
            )

    def _check_session(self) -> None:
        """Raises BadValue where a marker ahead could not be told from one of an earlier start."""
        if not self._exchange.session_in_force:
            raise BadValue(
                "The box has started again, and its session is not begun yet, so that a marker "
                "ahead would be taken back. Nothing was sent. Give it again in a second."
            )

    def _wait_until_free(self, wire: int) -> float:
        """Waits, with the lock held, until that many bytes may be sent. Returns the seconds."""
        return self._wait_until(lambda: self._exchange.is_free(wire))

    def _wait_until(self, free: Callable[[], bool]) -> float:
        """Waits, with the lock held, until `free()`. Returns the seconds."""
        exchange = self._exchange
        begin = self._now()
        while not free():
            exchange.raise_failure()
            self.lock.release()
            try:
                self.wait_for(lambda: exchange.ended or free())
            finally:
                self.lock.acquire()
        exchange.raise_failure()
        return self._now() - begin

    # Other requests ----------------------------------------------------------------------------

    def ask(
        self,
        request: Request,
        body: bytes = b"",
        seconds: float = ANSWER_SECONDS,
        alone: bool = False,
    ) -> Query:
        """Sends a request that is not a marker and waits for its answer.

        alone: send nothing more until the answer came (for a box that is deaf meanwhile).
        Returns the query, which holds the answer. Raises Refused, NoAnswer or PortGone.
        """
        query = self.send_query(request, body, seconds, alone)
        self.wait_for(lambda: query.ended)
        if query.error is not None:
            exchange = self._exchange
            exchange.failure_reported |= query.error is exchange.failure
            raise query.error
        return query

    def ask_again(self, request: Request, body: bytes = b"") -> Query:
        """As `ask`, for a request that may be carried out twice: if the answer does not come, it is
        asked once more."""
        try:
            return self.ask(request, body)
        except NoAnswer:
            return self.ask(request, body)

    def ask_all(self, request: Request, bodies: list[bytes]) -> None:
        """Sends many requests of a kind that may be pipelined; all must be answered with done."""
        queries: list[Query] = []
        for body in bodies:
            queries.append(self.send_query(request, body, many=True))
            if any(query.error for query in queries):
                break
        for query in queries:
            self.wait_for(lambda query=query: query.ended)  # type: ignore[misc]
        for query in queries:
            if query.error is not None:
                raise query.error

    def send_query(
        self,
        request: Request,
        body: bytes,
        seconds: float = ANSWER_SECONDS,
        alone: bool = False,
        many: bool = False,
    ) -> Query:
        """Sends a request that is not a marker as soon as it may be sent; see `ask`."""
        exchange = self._exchange
        wire = len(body) + WIRE_SHORTEST

        def ready() -> bool:
            return exchange.ended or (
                exchange.is_free(wire) and (many or exchange.query is None)
            )

        while True:
            with self.lock:
                exchange.raise_failure()
                if ready():
                    return exchange.send_query(request, body, seconds, alone, many)
            self.wait_for(ready)

    def _may_have_ahead(self) -> bool:
        with self.lock:
            return self._exchange.markers_ahead() > 0

    # Waiting -----------------------------------------------------------------------------------

    def wait_for(self, ready: Callable[[], bool], timeout: float | None = None) -> bool:
        """Waits until `ready()`, which is called with the lock held, and looks after overdue
        answers meanwhile. False if `timeout` seconds were over first."""
        if self._reader.is_caller:
            raise RuntimeError("a callback can't wait for the box: answers come in its own thread")
        end = None if timeout is None else self._now() + timeout
        while True:
            self._lost_answers.look_after()
            with self.lock:
                if ready():
                    return True
                due = self._lost_answers.next_due()
            now = self._now()
            if end is not None and now >= end:
                return False
            limits = [limit - now for limit in (end, due) if limit is not None]
            longest = max(0.0, min(limits)) if limits else None
            if self.pacing.wait(self._exchange.changed, ready, longest):
                return True

    def wait_for_start(self, heard: int, timeout: float) -> None:
        """Waits, and sends nothing, until more than `heard` notices of a start have come, the link
        has failed, or `timeout` seconds are over."""
        self.wait_for(lambda: self.starts_heard > heard or self.failure is not None, timeout)

    def wait_until_answered(self) -> list[Marker]:
        """Waits for all markers sent so far, for those ahead until they are out; returns those that
        are not done."""
        with self.lock:
            markers = self._exchange.unended_markers()
        self.wait_for(lambda: all(marker.ended for marker in markers))
        return [marker for marker in markers if marker.outcome is not Outcome.DONE]

    def cancel(self, marker: Marker | None = None) -> list[Marker]:
        """Takes back a marker ahead, or all of them (None), unless they are out. Returns those of
        which the box has told that by its answer."""
        number = 0
        if marker is not None:  # its number may be on the way
            self.wait_for(lambda: marker.ended or marker.ahead_number != 0)
            if marker.ended:
                return []
            number = marker.ahead_number
        with self.lock:
            waiting = [each for each in self._exchange.unended_markers() if each.at_us is not None]
        self.ask_again(Request.CANCEL, number.to_bytes(4, "little"))
        taken = [each for each in waiting if each.outcome is Outcome.REFUSED]
        return sorted(taken, key=lambda each: each.number)

    # The end -----------------------------------------------------------------------------------

    def close(self) -> None:
        """Takes back what waits for its time, waits for open markers, then ends. May be called
        twice."""
        exchange = self._exchange
        if not exchange.ended:
            # called by a callback, nobody could read the answers
            with suppress(RuntimeError, TallymarkError):
                if self._may_have_ahead():
                    self.cancel()
                self.wait_until_answered()
        with self.lock:
            if exchange.closing:
                return
            exchange.close()
        self._reader.join()
        self._transport.close()
        with self.lock:
            exchange.end()
        self.events.pass_on(last=True)
