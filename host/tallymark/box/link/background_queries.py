"""What the link asks the box by itself, so that times and widths can be told when markers come in
on the byte input."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tallymark.box.wire.frames import FRAME_SHORTEST
from tallymark.box.wire.messages import Request

if TYPE_CHECKING:
    from tallymark.box.link.link import Link

_CLOCK_SECONDS = 1.0


class Refresh:
    """Asks for the clock and, after a start, for the settings. The link's lock is held."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._asked = -_CLOCK_SECONDS

    def at_once(self) -> None:
        """The box started again: its time begins anew, and the settings are those it keeps."""
        self._asked = -_CLOCK_SECONDS
        self.if_due()

    def if_due(self) -> None:
        """Compares the clocks while markers come in on the byte input, which tell no host time.

        Not at other times: whoever set a hold limit wants it to act when the program is silent."""
        link = self._link
        now = link.pacing.now()
        if now - self._asked <= _CLOCK_SECONDS or not link.is_free(FRAME_SHORTEST + 2):
            return
        query = link.ask_aside(Request.CLOCK, b"", now)
        if query is not None:
            self._asked = now
            query.on_end = self._settings

    def _settings(self) -> None:
        if self._link.in_force.settings is None:
            self._link.ask_aside(Request.SETTINGS_READ, b"", self._link.pacing.now())
