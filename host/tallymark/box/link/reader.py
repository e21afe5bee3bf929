"""Takes what comes in from a box: answers to their requests, notices to those who listen."""

from __future__ import annotations

import logging
from threading import Event, Thread, get_ident

from tallymark.box.link.accepted_markers import AcceptedMarkers
from tallymark.box.link.answer_recovery import AnswerRecovery
from tallymark.box.link.marker import Marker, result_of
from tallymark.box.link.notice_numbers import NoticeNumbers
from tallymark.box.link.request_window import RequestWindow
from tallymark.box.link.session_and_clock_queries import SessionCheck
from tallymark.box.ports.transport import READ_SECONDS, Transport
from tallymark.box.wire.answer_values import (
    ByteMarker,
    Counters,
    Identity,
    MarkerEdge,
    ProbeEdges,
    SequenceEnded,
    Started,
    parse_notice,
)
from tallymark.box.wire.frames import Decoder, Frame
from tallymark.box.wire.protocol_enumerations import (
    FIRST_NOTICE,
    IN_SESSION,
    PROTOCOL_MAJOR,
    Answer,
    Cause,
    Notice,
    Reason,
    Request,
)
from tallymark.common.errors import PortGone, Refused

logger = logging.getLogger("tallymark")

_NUMBER_LENGTH = 4
_SAME_IN_ALL_VERSIONS = frozenset({Answer.IDENTITY, Notice.STARTED})
"""Messages without the session bit."""
_NO_NEWEST_TAG = frozenset({Request.IDENTIFY, Request.SESSION})
"""Their answers don't show that the box has followed the count of tags (PROTOCOL.md, 3.2)."""


class Reader:
    """The thread that reads a link's port.

    identified: whether the box was identified; before that its notice of a start is not reported.
    starts_heard: how many of these notices came.
    sequences_ended: how many notices of that kind came.
    late_answers: answers that came when nobody waited for them any more.
    """

    def __init__(
        self,
        transport: Transport,
        exchange: RequestWindow,
        lost: AnswerRecovery,
        accepted: AcceptedMarkers,
        looks: bool,
    ) -> None:
        """looks: whether this thread looks after lost answers; in stepped time whoever waits
        does, so that it happens at the same time in each run."""
        self.identified = False
        self.starts_heard = 0
        self.sequences_ended = 0
        self.late_answers = 0
        self._transport = transport
        self._exchange = exchange
        self._events = exchange.events
        self._lost = lost
        self._accepted = accepted
        self._looks = looks
        self._background = SessionCheck(exchange)
        self.notice_numbers = NoticeNumbers()
        self._in_session = False  # the newest message told that a session is in force
        self._decoder = Decoder()
        self._begun = Event()
        self._thread = Thread(target=self._run, name="tallymark reader", daemon=True)

    def start(self) -> None:
        """Starts the thread; returns once it has begun to read."""
        self._thread.start()
        self._begun.wait()

    def join(self) -> None:
        """Ends the thread after the exchange was closed; at once if it is the caller."""
        if not self.is_caller:
            self._transport.wake()
            self._thread.join()

    @property
    def is_caller(self) -> bool:
        """Whether this is called by the thread itself, for instance out of a callback."""
        return get_ident() == self._thread.ident

    @property
    def broken_frames(self) -> int:
        """Frames from the box that arrived damaged."""
        return self._decoder.broken

    def _run(self) -> None:
        exchange = self._exchange
        looked = exchange.now()
        try:
            self._transport.begin()
            self._begun.set()
            while not exchange.closing:
                chunk = self._transport.read()
                now = exchange.now()
                if chunk:
                    self._take(self._decoder.feed(chunk), now)
                if now - looked > READ_SECONDS:
                    looked = now
                    if self._looks:
                        self._lost.look_after()
                    self._events.pass_on()
        except PortGone as error:
            with exchange.lock:
                if not exchange.closing:
                    exchange.fail(error)
        except Exception as error:  # a fault of ours must reach whoever waits
            logger.exception("The reader failed.")
            with exchange.lock:
                exchange.fail(PortGone(self._transport.name, f"The library failed ({error!r})."))
        finally:
            self._begun.set()

    def _take(self, frames: list[Frame], now: float) -> None:
        with self._exchange.lock:
            for marked, tag, body in frames:
                kind = self._base_type(marked, tag)
                if kind >= FIRST_NOTICE:
                    self._take_notice(kind, tag, body)
                else:
                    self._take_answer(kind, tag, body, now)
            self._exchange.changed.notify_all()
        self._events.pass_on()

    def _base_type(self, marked: int, tag: int) -> int:
        """The type of a message without its session bit. A start ends the session, so a message
        without that bit, after one with it, comes from a box that has started again."""
        kind = marked & ~IN_SESSION
        if kind != marked:
            self._in_session = True
        elif self._in_session and kind not in _SAME_IN_ALL_VERSIONS:
            entry = None if kind >= FIRST_NOTICE else self._exchange.open_requests.get(tag)
            self._start_unheard(None if entry is None else entry.sent_s, Cause.UNKNOWN)
        return kind

    def _start_unheard(self, until_s: float | None, cause: Cause) -> None:
        self._in_session = False
        if self.identified:
            logger.warning("The box started again, and its notice of that was lost.")
            self.notice_numbers.started_unheard()
            self._exchange.restart_unheard(until_s, cause)

    def _take_answer(self, kind: int, tag: int, body: bytes, now: float) -> None:
        exchange = self._exchange
        entry = exchange.open_requests.get(tag)
        if entry is None:
            self.late_answers += 1
            logger.warning("Unexpected answer (tag %d).", tag)
            return
        if entry.request not in _NO_NEWEST_TAG:
            exchange.tags.answered(tag)
        if isinstance(entry, Marker):
            self._take_marker_answer(entry, kind, body, now)
        elif kind == Answer.REFUSED and len(body) >= 6:
            reason, detail = body[1], int.from_bytes(body[2:6], "little")
            exchange.end_query(entry, 0, body, Refused(reason, detail, entry.request))
        elif entry.fits(kind, body):
            if kind == Answer.COUNTERS:
                self._compare_notices(Counters.parse(body).notices)
            elif kind == Answer.IDENTITY and body[0] == PROTOCOL_MAJOR:
                # Here and not where it is waited for: a notice may come right behind it.
                identity = Identity.parse(body)
                if not self.identified:
                    self._in_session = False
                    self.notice_numbers.begin(identity.last_notice)
                elif self._in_session and identity.session == 0:
                    self._start_unheard(entry.sent_s, identity.cause)
            exchange.end_query(entry, kind, body, None, now)
        else:
            logger.warning("A message of type 0x%02X is no answer to what was asked.", kind)

    def _take_marker_answer(self, marker: Marker, kind: int, body: bytes, now: float) -> None:
        exchange = self._exchange
        if kind == Answer.ACCEPTED and marker.at_us is not None and len(body) >= _NUMBER_LENGTH:
            number = int.from_bytes(body[:_NUMBER_LENGTH], "little")
            self._accepted.accept(marker, number)
            if exchange.open_requests:
                self._lost.suspect_earlier(marker, now)
            self._background.clock_if_due()  # that answer tells no box time
            return
        result = result_of(marker.request, kind, body)
        if result is None:
            logger.warning("The answer to marker %d has type 0x%02X.", marker.number, kind)
            return
        if result.box_time_us is not None and marker.request is not Request.SEQUENCE_START:
            # The first edge of a sequence may be still to come.
            exchange.compare_clocks(marker.sent_s, result.box_time_us, now)
            exchange.newest_us = max(exchange.newest_us, result.box_time_us)
        if isinstance(result.error, Refused) and result.error.reason is Reason.TAG_REPEATED:
            # An earlier copy of the frame may have arrived, and its answer been lost.
            self._lost.ask_at_once(marker, now)
            return
        exchange.end_marker(marker, result)
        if not exchange.session_in_force:
            self._background.session_if_due()
        if exchange.open_requests:
            self._lost.suspect_earlier(marker, now)

    def _compare_notices(self, total: int) -> None:
        missing = self.notice_numbers.compare(total)
        if missing > 0:
            logger.warning("Notices are missing: %d by the box's count.", missing)
            self._miss(missing)

    def _miss(self, count: int) -> None:
        self._background.missing(count)
        self._accepted.doubt()

    def _take_notice(self, kind: int, number: int, body: bytes) -> None:
        if kind == Notice.STARTED:
            self.notice_numbers.started(number)
        else:
            missing = self.notice_numbers.came(number)
            if missing is None:
                logger.warning("Notice %d came twice.", number)
                return
            if missing and self.identified:
                logger.warning("Notices are missing: %d before number %d.", missing, number)
                self._miss(missing)
        notice = parse_notice(kind, body)
        if notice is None:
            if Notice.of(kind) is not None:
                logger.warning("A notice of type 0x%02X could not be read.", kind)
            return
        if isinstance(notice, Started):
            self.starts_heard += 1
            self._in_session = False
            if not self.identified:
                return  # opening the port has reset it, which is nobody's concern
            self._exchange.restart(notice.cause)
        elif isinstance(notice, MarkerEdge):
            self._accepted.ended(notice)
        elif isinstance(notice, SequenceEnded):
            self.sequences_ended += 1
        elif isinstance(notice, ByteMarker):
            notice = self._exchange.settings.completed(notice)
            self._exchange.bytes_reported += 1
            self._background.clock_if_due()
        elif isinstance(notice, ProbeEdges):
            self._background.clock_if_due()
        self._events.note(notice)
