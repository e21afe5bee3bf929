"""Questions that the link asks by itself, so that times and widths are known when markers come in
on the byte input."""

from __future__ import annotations

from tallymark.box.link.request_window import RequestWindow
from tallymark.box.wire.frames import WIRE_SHORTEST
from tallymark.box.wire.messages import Request

_CLOCK_SECONDS = 1.0


class BackgroundQueries:
    """Asks for the clock and, after a start, for the settings. The exchange's lock is held."""

    def __init__(self, exchange: RequestWindow) -> None:
        self._exchange = exchange
        self._asked_s = -_CLOCK_SECONDS

    def at_once(self) -> None:
        """The box started again: its time begins anew, and the settings are those it keeps."""
        self._asked_s = -_CLOCK_SECONDS
        self.if_due()

    def if_due(self) -> None:
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
