"""Questions that the link asks by itself: where the box's time, settings or session may have
changed without the program's doing."""

from __future__ import annotations

from tallymark.box.link.pending_query import Query
from tallymark.box.link.request_window import RequestWindow
from tallymark.box.wire.answer_values import Identity, NoticesLost
from tallymark.box.wire.frames import WIRE_SHORTEST
from tallymark.box.wire.protocol_enumerations import Answer, Request

_CLOCK_SECONDS = 1.0
_SESSION_TRIES = 3


class SessionCheck:
    """Begins a session again after a start, asks for the clock and the settings, and looks at the
    session where something is missing. The exchange's lock is held."""

    def __init__(self, exchange: RequestWindow) -> None:
        self._exchange = exchange
        self._asked_s = -_CLOCK_SECONDS
        self._session_tries = 0
        self._checks = False
        self._missing = 0  # notices
        exchange.on_restart = self._at_once
        exchange.on_doubt = self._check
        exchange.on_free.append(self._go_on)
        exchange.on_over = self.tell_missing

    def _at_once(self) -> None:
        """The box started again: it has no session, its time begins anew, and the settings are
        those it keeps."""
        self._session_tries = _SESSION_TRIES if self._exchange.session else 0
        self._asked_s = -_CLOCK_SECONDS
        self._exchange.session_in_force = False
        self._checks = False
        self.tell_missing()  # of the time before this start
        self._go_on()
        self.clock_if_due()

    def missing(self, count: int) -> None:
        """Notices did not arrive, unless the box has started again, whose numbers begin anew."""
        self._missing += count
        self._check()

    def _check(self) -> None:
        self._checks = self._exchange.session != 0
        self._go_on()

    def _go_on(self) -> None:
        """Asks what is due, as soon as no other query is on its way."""
        exchange = self._exchange
        if self._session_tries:
            number = exchange.session.to_bytes(4, "little")
            query = exchange.send_aside(Request.SESSION, number)
            if query is not None:
                self._session_tries -= 1
                query.on_end = lambda: self._take_session(query)
        elif self._checks:
            query = exchange.send_identify()
            if query is not None:
                self._checks = False
                starts = exchange.starts
                query.on_end = lambda: self._take_identity(query, starts)

    def session_if_due(self) -> None:
        """Something was answered: so the session can be begun again, if that went unanswered."""
        if self._exchange.session and not self._session_tries:
            self._session_tries = 1
            self._go_on()

    def _take_session(self, query: Query) -> None:
        if query.kind:
            self._session_tries = 0
            if not self._exchange.session_in_force:
                self._exchange.session_in_force = True
                self._exchange.end_before_session(query)
                self._exchange.forget_times_before(query)
            self.clock_if_due()

    def _take_identity(self, query: Query, starts: int) -> None:
        exchange = self._exchange
        if exchange.starts != starts:
            return  # it has told meanwhile that it started
        if query.kind == Answer.IDENTITY:
            identity = Identity.parse(query.body)
            if identity.session == 0 and not exchange.session_in_force:
                self._session_tries = _SESSION_TRIES
            elif identity.session == 0:
                exchange.restart_unheard(query.sent_s, identity.cause)
                return
            elif identity.session != exchange.session:
                exchange.fail_taken()
                return
        self.tell_missing()

    def tell_missing(self) -> None:
        """Reports the notices that are missing, if any: nothing else explains their numbers."""
        missing, self._missing = self._missing, 0
        if missing:
            self._exchange.notices_lost += missing
            self._exchange.events.note(NoticesLost(missing))

    def clock_if_due(self) -> None:
        """Compares the clocks while markers come in on the byte input, which carry no host time.

        Not at other times: each request counts as a sign of life, and a hold limit has to act when
        the program is silent."""
        now = self._exchange.now()
        if now - self._asked_s <= _CLOCK_SECONDS or not self._exchange.is_free(WIRE_SHORTEST):
            return
        query = self._exchange.send_aside(Request.CLOCK, b"")
        if query is not None:
            self._asked_s = now
            query.on_end = self._ask_settings

    def _ask_settings(self) -> None:
        if self._exchange.settings.settings is None:
            self._exchange.send_aside(Request.SETTINGS_READ, b"")
