"""A program that drives lines by itself, at the box's readback: captured edges become codes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from threading import Lock

from tallymark.box.box import Box
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import AnyNotice, Edge, Edges, Started
from tallymark.box.wire.protocol_enumerations import CaptureMode, Request
from tallymark.common.formatting import duration, some
from tallymark.markerlog import LoggedMarker, MarkerLog
from tallymark.monitor.live_screen import LiveScreen

SETTLE_US = 50
"""Lines of one code may change that far apart; a code that lasts less is taken for that."""
_MARGIN_US = 100_000  # edges on their way to the computer are no older than that


class LineDecoder:
    """Makes codes of edges. bounces: changes that did not last, and were no codes."""

    def __init__(self, settings: Settings, settle_us: int = SETTLE_US) -> None:
        self.bounces = 0
        self._idle = settings.idle_levels
        self._lines = settings.code_lines
        self._settle_us = settle_us
        self._code: int | None = None  # that the lines have had; None: nothing is known yet
        self._coming: tuple[int, int, int] | None = None  # code, its first and its last change

    def add(self, edges: Iterable[Edge]) -> list[tuple[int, int]]:
        """Takes edges in order; returns the codes that are settled by then: (code, box time)."""
        settled = []
        for time_us, levels in edges:
            settled += self.until(time_us)
            code = (levels ^ self._idle) & self._lines
            if self._coming is not None:
                self.bounces += 1
                self._coming = (code, self._coming[1], time_us)
            elif code != self._code:
                self._coming = (code, time_us, time_us)
        return settled

    def until(self, time_us: int) -> list[tuple[int, int]]:
        """The code that is settled because nothing changed until that box time, if there is one."""
        if self._coming is None or time_us - self._coming[2] < self._settle_us:
            return []
        code, begin_us, _ = self._coming
        self._coming = None
        first, same = self._code is None, code == self._code
        self._code = code
        return [] if same or (first and code == 0) else [(code, begin_us)]


class LineRecorder:
    """A log that is being kept of the lines at the readback. lost: changes that were lost."""

    def __init__(
        self, box: Box, settings: Settings, screen: LiveScreen, log: MarkerLog, settle_us: int
    ) -> None:
        self.lost = 0
        self.codes = LineDecoder(settings, settle_us)
        self._box = box
        self._screen = screen
        self._log = log
        self._settle_us = settle_us
        self._next = 0  # the number of the captured edge that comes next
        self._lock = Lock()

    def hear(self, notice: AnyNotice) -> None:
        """Takes what the box captured. Called by the reader thread."""
        if isinstance(notice, Edges):
            with self._lock:
                self._lose(notice.lost, "the capture buffer was full.")
                missing = notice.missing(self._next)
                self._lose(missing, "what the box sent did not arrive. Check the cable.")
                self._next = notice.next
                self._note(self.codes.add(notice.edges))
        elif isinstance(notice, Started):
            self._screen.idle(
                "The box started again, and no longer captures. Start this command "
                "again.", logged=True
            )

    def look(self) -> None:
        """Tells the last code if nothing followed it. Raises PortGone, NoAnswer."""
        now_us = self._box.levels().time_us
        with self._lock:
            self._note(self.codes.until(now_us - _MARGIN_US))

    def close(self) -> None:
        """Ends the capture, and tells the last code."""
        self._box.pacing.sleep(2e-6 * self._settle_us)
        link = self._box.link
        link.ask(Request.CAPTURE_STOP)
        while True:
            first = self._next.to_bytes(4, "little")
            rest = Edges.parse(link.ask_again(Request.CAPTURE_FETCH, first).body)
            self.hear(rest)
            if rest.next == rest.first:
                break
        now_us = self._box.levels().time_us
        with self._lock:
            self._note(self.codes.until(now_us))
            if self.codes.bounces:
                self._screen.say(
                    f"{self.codes.bounces:,} short changes were taken for lines of one code that "
                    "change at different times."
                )

    def _note(self, codes: list[tuple[int, int]]) -> None:
        for code, box_us in codes:
            host_us, error_us = self._box.clock.to_host_us(box_us)
            entry = LoggedMarker(
                -1,
                code,
                box_us=box_us,
                host_us=host_us,
                error_us=error_us,
                fate="done",
                source="lines",
                stays=True,
            )
            self._log.line_marker(entry)
            self._screen.show(entry)

    def _lose(self, count: int, why: str) -> None:
        if count:
            self.lost += count
            self._log.missing(count, why)
            self._screen.say(f"Lost: {some(count, 'change')}; {why}", bad=True, logged=True)


@contextmanager
def line_recorder(
    box: Box,
    settings: Settings,
    screen: LiveScreen,
    log: MarkerLog,
    settle_us: int = SETTLE_US,
) -> Iterator[LineRecorder]:
    """Keeps `log` of the codes at the box's readback inputs, and shows them."""
    screen.keep = log.note
    log.tell = screen.tell
    screen.begin_us = log.begin_us
    lines = ", ".join(str(line) for line in range(8) if settings.code_lines >> line & 1)
    screen.say(
        f"Each code on the readback inputs (lines {lines}, idle {settings.idle.label}) is logged "
        f"once it lasts {duration(settle_us)}."
    )
    box.log = None  # what the box itself puts out is not what the lines are watched for
    kept = LineRecorder(box, settings, screen, log, settle_us)
    stop = box.listen(kept.hear)
    try:
        box.link.ask(Request.CAPTURE_START, bytes((CaptureMode.SEND,)))
        yield kept
        kept.close()
    finally:
        stop()
