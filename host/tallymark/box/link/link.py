"""Requests to a box and what comes back: tags, receive window, and markers at most once.

One reader thread takes the bytes that come in. All state is under one lock. The rules are those of
PROTOCOL.md, section 3: the bytes of unanswered requests stay within the box's window and their tags
within its history, at most one request is on its way that is neither a marker nor a sequence step,
and nothing is ever sent again. When a marker's answer is overdue, the box is asked for the fate of
its tag; where that would come too late, the next request is held back until it was asked.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from threading import Condition, Event, Lock, Thread, get_ident

from tallymark.box.link.clock import ClockEstimate
from tallymark.errors import PortError, PortGone, Refused, TallymarkError, Unconfirmed
from tallymark.box.wire.frames import (
    CODE_WIDTH_WIRE,
    CODE_WIRE,
    Decoder,
    Frame,
    code_frame,
    code_width_frame,
    frame,
)
from tallymark.box.link.active_settings import InForce
from tallymark.box.link.event_dispatch import Journal, Log
from tallymark.box.link.marker import Marker, Outcome, Result, result_of
from tallymark.box.wire.messages import Answer, Notice, Reason, Request
from tallymark.box.link.lost_answers import Overdue
from tallymark.box.ports.timebase import Pacing, RealTime
from tallymark.box.link.query import ANSWER_SECONDS, Query
from tallymark.box.link.background_queries import Refresh
from tallymark.box.link.tag_allocator import Tags
from tallymark.box.ports.transport import READ_SECONDS, Transport
from tallymark.box.wire.values import AnyNotice, ByteMarker, Identity, SequenceEnded, Started, parse_notice

logger = logging.getLogger("tallymark")

_SET = Request.SET
_WHOLE_WINDOW = 1_000_000
_FIRST_WINDOW = 64  # before the box has told its window and history
_FIRST_HISTORY = 64


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
        self.failure: TallymarkError | None = None
        self.failure_told = False
        self.unconfirmed: list[Marker] = after.unconfirmed if after else []
        self.late_answers = 0
        self.starts = 0
        self.sequences_ended = 0
        self.bytes_told = 0  # since the box started, as far as this link was there
        self.journal = Journal(self.clock, log, on_notice)
        self._transport = transport
        self._write = transport.write
        self._now = pacing.now
        self._decoder = Decoder()
        self.lock = Lock()
        self._changed = Condition(self.lock)
        self.open_requests: dict[int, Marker | Query] = {}
        self.query: Query | None = None
        self._number: int = after._number if after else 0
        self._history = _FIRST_HISTORY
        self.tags = Tags(self._history, 0)
        self._room = _FIRST_WINDOW
        self._overdue = Overdue(self)
        self._refresh = Refresh(self)
        self.in_force = InForce()
        self._identified = False
        self._closing = False
        self._reader = Thread(target=self._read, name="tallymark reader", daemon=True)
        self._begun = Event()
        self._reader.start()
        self._begun.wait()

    @property
    def broken_frames(self) -> int:
        """Frames from the box that arrived damaged."""
        return self._decoder.broken

    def close_noise(self) -> None:
        """Sends one zero, which ends whatever noise went before the first request."""
        with self.lock:
            self._write(b"\0")

    def begin(self, identity: Identity) -> None:
        """Takes the box's window and history, after it was identified."""
        with self.lock:
            self._identified = True
            self._history = identity.history
            self.tags = Tags(identity.history, identity.last_tag)
            self._room = identity.window - sum(entry.room for entry in self.open_requests.values())
            self._changed.notify_all()

    # Markers -----------------------------------------------------------------------------------

    def put(self, request: Request, code: int, width_us: int | None, name: str | None) -> Marker:
        """Sends a marker whose body is a code, with a width for PULSE_FOR."""
        wire = CODE_WIRE if width_us is None else CODE_WIDTH_WIRE
        with self.lock:
            held_back = 0.0
            if not self.is_free(wire):
                held_back = self._wait_until_free(wire)
            now = self._now()
            log = self.journal.log
            if log is not None:
                stays = request is _SET
                width = self.in_force.width_us if width_us is None and not stays else width_us
                log.sent(self._number + 1, code, width, name, round(now * 1e6), stays)
            tag = self.tags.take()
            if width_us is None:
                data = code_frame(request, tag, code)
            else:
                data = code_width_frame(request, tag, code, width_us)
            return self._send_marker(request, tag, code, width_us, data, now, held_back)

    def put_start(self, repeats: int) -> Marker:
        """Sends SEQUENCE_START, which is a marker request too."""
        with self.lock:
            held_back = self._wait_until_free(CODE_WIDTH_WIRE)
            tag = self.tags.take()
            data = frame(Request.SEQUENCE_START, tag, repeats.to_bytes(4, "little"))
            return self._send_marker(
                Request.SEQUENCE_START, tag, 0, None, data, self._now(), held_back
            )

    def _send_marker(
        self,
        request: Request,
        tag: int,
        code: int,
        width_us: int | None,
        data: bytes,
        now: float,
        held_back: float,
    ) -> Marker:
        self._number += 1
        room = len(data)
        marker = Marker(self, request, tag, self._number, code, width_us, room, now, held_back)
        self.open_requests[tag] = marker
        self._room -= room
        try:
            self._write(data)
        except PortGone as error:
            self._fail(error)
            self._raise_failure()
        return marker

    def is_free(self, wire: int) -> bool:
        """Whether a request of that many bytes may be sent now. False once the link has ended."""
        return self._room >= wire and (
            not self.open_requests or self.tags.in_reach(next(iter(self.open_requests)))
        )

    def _wait_until_free(self, wire: int) -> float:
        """Waits, with the lock held, until that many bytes may be sent. Returns the seconds."""
        begin = self._now()
        while not self.is_free(wire):
            self._raise_failure()
            self.lock.release()
            try:
                self.wait_for(lambda: self._ended() or self.is_free(wire))
            finally:
                self.lock.acquire()
        self._raise_failure()
        return self._now() - begin

    def _ended(self) -> bool:
        return self._closing or self.failure is not None

    def _raise_failure(self) -> None:
        if self.failure is not None:
            self.failure_told = True
            raise self.failure
        if self._closing:
            raise self._closed()

    def _closed(self) -> PortError:
        return PortError(self._transport.name, "This box was closed. Open it again.")

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
        query = self._send_query(request, body, seconds, alone)
        self.wait_for(lambda: query.ended)
        if query.error is not None:
            self.failure_told = self.failure_told or query.error is self.failure
            raise query.error
        return query

    def ask_all(self, request: Request, bodies: list[bytes]) -> None:
        """Sends many requests of a kind that may be pipelined; all must be answered with done."""
        queries: list[Query] = []
        for body in bodies:
            queries.append(self._send_query(request, body, ANSWER_SECONDS, False, many=True))
            if any(query.error for query in queries):
                break
        for query in queries:
            self.wait_for(lambda query=query: query.ended)  # type: ignore[misc]
        for query in queries:
            if query.error is not None:
                raise query.error

    def _send_query(
        self, request: Request, body: bytes, seconds: float, alone: bool, many: bool = False
    ) -> Query:
        wire = len(body) + 6

        def ready() -> bool:
            return self._ended() or (self.is_free(wire) and (many or self.query is None))

        while True:
            with self.lock:
                self._raise_failure()
                if ready():
                    query = Query(request, self.tags.take(), wire, self._now(), seconds)
                    self._launch(query, body, alone, many)
                    return query
            self.wait_for(ready)

    def ask_aside(self, request: Request, body: bytes, now: float) -> Query | None:
        """Sends a request for whose answer nobody waits; None while there is no room for it, or
        while another one is on its way. The lock is held."""
        if not self.can_ask_aside(len(body) + 6):
            return None
        query = Query(request, self.tags.take(), 0, now, ANSWER_SECONDS)
        self._launch(query, body)
        return query

    def can_ask_aside(self, wire: int) -> bool:
        """Whether `ask_aside` has room for a request of that many bytes. The lock is held."""
        return self.query is None and self._room >= wire and self.tags.next != 0

    def _launch(self, query: Query, body: bytes, alone: bool = False, many: bool = False) -> None:
        data = frame(query.request, query.tag, body)
        if not many:
            self.query = query
        query.asked = body
        query.room = _WHOLE_WINDOW if alone else len(data)
        self.in_force.asked(query.request)
        self.open_requests[query.tag] = query
        self._room -= query.room
        try:
            self._write(data)
        except PortGone as error:
            self._fail(error)  # ends this query too

    # Waiting -----------------------------------------------------------------------------------

    def wait_for(self, ready: Callable[[], bool], timeout: float | None = None) -> bool:
        """Waits until `ready()`, which is called with the lock held, and looks after overdue
        answers meanwhile. False if `timeout` seconds were over first."""
        if get_ident() == self._reader.ident:
            raise RuntimeError("a callback can't wait for the box: answers come in its own thread")
        end = None if timeout is None else self._now() + timeout
        while True:
            self._overdue.look_after()
            with self.lock:
                if ready():
                    return True
                due = self._overdue.next_due()
            now = self._now()
            if end is not None and now >= end:
                return False
            limits = [limit - now for limit in (end, due) if limit is not None]
            if self.pacing.wait(
                self._changed, ready, max(0.0, min(limits)) if limits else None
            ):
                return True

    def wait_until_answered(self) -> list[Marker]:
        """Waits for all markers sent so far; returns those that are not done."""
        with self.lock:
            markers = [entry for entry in self.open_requests.values() if isinstance(entry, Marker)]
        self.wait_for(lambda: all(marker._result is not None for marker in markers))
        return [marker for marker in markers if marker.outcome is not Outcome.DONE]

    # The parts of the link share what follows; the lock is held -----------------------------------

    def unconfirm(self, marker: Marker, why: str) -> None:
        error = Unconfirmed(why, [(marker.number, marker.code)])
        self.end_marker(marker, Result(Outcome.UNCONFIRMED, error=error))

    # What comes in -----------------------------------------------------------------------------

    def _read(self) -> None:
        looked = self._now()
        real_time = isinstance(self.pacing, RealTime)
        try:
            self._transport.begin()
            self._begun.set()
            while not self._closing:
                chunk = self._transport.read()
                now = self._now()
                if chunk:
                    self._take(self._decoder.feed(chunk), now)
                if now - looked > READ_SECONDS:
                    looked = now
                    if real_time:  # in stepped time whoever waits looks, at the same time each run
                        self._overdue.look_after()
                    self.journal.pass_on()
        except PortGone as error:
            with self.lock:
                if not self._closing:
                    self._fail(error)
        except Exception as error:  # a fault of ours must reach whoever waits
            logger.exception("The reader failed.")
            with self.lock:
                self._fail(PortGone(self._transport.name, f"The library failed ({error!r})."))
        finally:
            self._begun.set()

    def _take(self, frames: list[Frame], now: float) -> None:
        with self.lock:
            for kind, tag, body in frames:
                if tag == 0:
                    self._take_notice(kind, body)
                    continue
                entry = self.open_requests.get(tag)
                if entry is None:
                    self.late_answers += 1
                    logger.warning("An answer came that nobody waits for (tag %d).", tag)
                    continue
                self.tags.answered(tag)
                if isinstance(entry, Marker):
                    self._take_marker_answer(entry, kind, body, now)
                elif kind == Answer.REFUSED and len(body) == 6:
                    reason, detail = body[1], int.from_bytes(body[2:], "little")
                    self.end_query(entry, 0, body, Refused(reason, detail, entry.request))
                elif entry.fits(kind, body):
                    self.end_query(entry, kind, body, None, now)
                else:
                    logger.warning("A message of type 0x%02X is no answer to what was asked.", kind)
            self._changed.notify_all()
        self.journal.pass_on()

    def _take_marker_answer(self, marker: Marker, kind: int, body: bytes, now: float) -> None:
        result = result_of(marker.request, kind, body)
        if result is None:
            logger.warning("The answer to marker %d has type 0x%02X.", marker.number, kind)
            return
        if result.box_time_us is not None:
            self.clock.add(marker.sent_s, result.box_time_us, now)
        if isinstance(result.error, Refused) and result.error.reason is Reason.TAG_REPEATED:
            # An earlier copy of the frame arrived, but its answer didn't.
            self.unconfirm(marker, "Something between program and box repeats bytes.")
        else:
            self.end_marker(marker, result)
        if self.open_requests:
            self._overdue.suspect_earlier(marker, now)

    def end_marker(self, marker: Marker, result: Result) -> None:
        self._remove(marker)
        marker.resolve(result)
        if isinstance(result.error, Unconfirmed):
            self.unconfirmed.append(marker)
            text = f"is unconfirmed: {result.error.why}"
            logger.warning("Marker %d (code %d) %s", marker.number, marker.code, text)
        elif result.error is not None:
            logger.warning("Marker %d (code %d): %s", marker.number, marker.code, result.error)
        self.journal.note(marker)
        self._changed.notify_all()

    def give_room_back(self, entry: Marker | Query) -> None:
        if entry.room:
            self._room += entry.room
            entry.room = 0

    def _remove(self, entry: Marker | Query) -> None:
        self.give_room_back(entry)
        del self.open_requests[entry.tag]
        if not self.open_requests and not self.tags.next:
            self._fail(self._transport.gone("it answers nothing any more"))

    def end_query(
        self,
        query: Query,
        kind: int,
        body: bytes,
        error: TallymarkError | None,
        now: float | None = None,
    ) -> None:
        self._remove(query)
        if self.query is query:
            self.query = None
        if now is not None:
            query.received_s = now
        query.body = body
        query.error = error
        query.kind = kind
        query.bytes_told = self.bytes_told
        self.in_force.answered(query)
        if now is not None and kind == Answer.DONE and query.request is Request.CLOCK:
            self.clock.add(query.sent_s, int.from_bytes(body, "little"), now)
        if query.on_end is not None:
            query.on_end()
        self._changed.notify_all()

    def _take_notice(self, kind: int, body: bytes) -> None:
        notice = parse_notice(kind, body)
        if notice is None:
            if Notice.of(kind) is not None:
                logger.warning("A notice of type 0x%02X could not be read.", kind)
            return
        if isinstance(notice, Started):
            if not self._identified:
                return  # opening the port has reset it, which is nobody's concern
            self._started_again(notice)
        elif isinstance(notice, SequenceEnded):
            self.sequences_ended += 1
        elif isinstance(notice, ByteMarker):
            notice = self.in_force.completed(notice)
            self.bytes_told += 1
            self._refresh.if_due()
        self.journal.note(notice)

    def _started_again(self, notice: Started) -> None:
        self.starts += 1
        self.journal.box_started()
        self.clock.reset()
        self.in_force.forget()
        self.bytes_told = 0
        self.tags = Tags(self._history, self.tags.last)
        cause = notice.cause.label
        for entry in list(self.open_requests.values()):
            if isinstance(entry, Marker):
                self.unconfirm(entry, f"The box started again (cause: {cause}).")
        self._refresh.at_once()

    # The end -----------------------------------------------------------------------------------

    def _fail(self, error: PortGone) -> None:
        """The link is broken: every open marker is unconfirmed. The lock is held."""
        if self.failure is not None:
            return
        markers = [entry for entry in self.open_requests.values() if isinstance(entry, Marker)]
        listed = [(marker.number, marker.code) for marker in markers]
        self.failure = PortGone(error.port, str(error), listed)
        self._room = -_WHOLE_WINDOW  # so that the next marker looks for the reason
        for entry in list(self.open_requests.values()):
            if isinstance(entry, Marker):
                self.unconfirm(entry, str(error))
            else:
                self.end_query(entry, 0, b"", self.failure)
        self._room = -_WHOLE_WINDOW
        self._changed.notify_all()

    def close(self) -> None:
        """Waits for open markers, then ends. May be called twice."""
        if not self._closing and self.failure is None:
            with suppress(RuntimeError):  # called by a callback: nobody could read the answers
                self.wait_until_answered()
        with self.lock:
            if self._closing:
                return
            self._closing = True
            self._room = -_WHOLE_WINDOW
            self._changed.notify_all()
        if get_ident() != self._reader.ident:
            self._transport.wake()
            self._reader.join()
        self._transport.close()
        with self.lock:
            for entry in list(self.open_requests.values()):
                if isinstance(entry, Marker):
                    self.unconfirm(entry, "The box was closed.")
                else:
                    self.end_query(entry, 0, b"", self._closed())
        self.journal.pass_on(last=True)
