"""Keeps a marker log of what comes in on a box's byte input."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from tallymark.box.box import Box
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import AnyNotice, ByteMarker, HoldEnded, NoticesLost, Started
from tallymark.box.wire.protocol_enumerations import ByteMode, Request
from tallymark.common.errors import BadValue
from tallymark.common.formatting import duration, some
from tallymark.markerlog import MarkerLog
from tallymark.markerlog.notice_records import from_notice
from tallymark.monitor.live_screen import LiveScreen
from tallymark.monitor.unreported_bytes import ByteAccounting, Loss

LOOK_S = 0.5

_HOW = {
    ByteMode.OFF: "The byte input is off: each byte is refused, and no line moves. Switch it on: "
    "tallymark settings change byte_mode=pulse (or limited, or set).",
    ByteMode.PULSE: "Each byte is a pulse of {width}; byte 0 does nothing.",
    ByteMode.SET: "Each byte stays on the lines until the next; byte 0 takes them to idle.",
    ByteMode.LIMITED: "Each byte is a pulse of {width} at most; byte 0 ends it early.",
}


def check_board(box: Box) -> None:
    """Raises BadValue for a box that has no byte input beside its framed port."""
    if box.identity.board == "nano":
        raise BadValue(
            "A Nano has one port only. While it is this one, which takes frames, there is no byte "
            "input to log; with its jumper on it takes bytes and can't report them. Use 'tallymark "
            "bridge': it provides a byte port on the computer, and writes the log."
        )


_FROM = (
    "Bytes have to come to the box's byte input, beside the port that is open here: the second USB "
    "serial port of a Pico, or the port that 'tallymark serve --byte-input' prints."
)
_NOTHING_CAME = (
    "No byte was received. Check that the program writes to the byte input of the box, and not to "
    "another port. For a box without a byte input, use 'tallymark bridge'."
)


class ByteRecorder:
    """A log that is being kept. lost: how many bytes came in that are not in it, or may not be."""

    def __init__(
        self, box: Box, settings: Settings, screen: LiveScreen, log: MarkerLog
    ) -> None:
        self.lost = 0
        self._heard = False
        self._box = box
        self._settings = settings
        self._screen = screen
        self._log = log
        self._account = ByteAccounting(box, settings.gap_us)

    def look(self) -> None:
        """Finds out whether the connection is there and whether bytes were lost.

        Where a hold limit is set the box is not asked, because a question would count as a sign of
        life; then losses are found at the end. Raises PortGone, NoAnswer.
        """
        if failure := self._box.link.failure:
            raise failure
        if not self._settings.hold_limit_us:
            self._note(self._account.look())

    def close(self) -> None:
        """Finds out what was lost until the end. Raises PortGone, NoAnswer."""
        self._note(self._account.close())
        # The reader thread passes on what came before the last answer before it takes the next.
        self._box.link.ask(Request.CLOCK)
        if not self._heard and not self.lost:
            self._screen.say(_NOTHING_CAME, bad=True, logged=True)

    def hear(self, notice: AnyNotice) -> None:
        """Shows what the box tells. Called by the reader thread."""
        if isinstance(notice, ByteMarker):
            self._heard = True
            self._screen.show(from_notice(notice, self._box.link.events.clock_of_event))
        elif isinstance(notice, HoldEnded):
            self._screen.hold_ended(notice, self._settings.hold_limit_us)
        elif isinstance(notice, NoticesLost):
            self._screen.say(
                f"{some(notice.count, 'message')} of the box did not arrive. Bytes that went out "
                "may be among them; the counters show how many.",
                bad=True,
                logged=True,
            )
        elif isinstance(notice, Started):
            self._screen.idle(
                f"The box started again (cause: {notice.cause.label}), and box time starts at 0. "
                "Bytes sent in the meantime are lost and not in the log.",
                logged=True,
            )

    def _note(self, losses: list[Loss]) -> None:
        for loss in losses:
            self.lost += loss.count
            self._log.missing(loss.count, loss.why)
            lost = some(loss.count, "byte")
            self._screen.say(f"Not in the log: {lost}; {loss.why}", bad=True, logged=True)


@contextmanager
def byte_recorder(
    box: Box, settings: Settings, screen: LiveScreen, log: MarkerLog
) -> Iterator[ByteRecorder]:
    """Keeps `log` of the box's byte input, and shows it."""
    mode = settings.byte_mode
    how = _HOW[mode].format(width=duration(settings.width_us))
    screen.keep = log.note
    log.tell = screen.tell
    screen.begin_us = log.begin_us
    screen.say(how, bad=mode is ByteMode.OFF, logged=True)
    screen.say(_FROM)
    kept = ByteRecorder(box, settings, screen, log)
    stop = box.listen(kept.hear)
    try:
        yield kept
        kept.close()
    finally:
        box.log = None
        stop()
