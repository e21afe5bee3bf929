"""Everything that was sent through this process, by whom, and what became of it."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import NamedTuple

from tallymark.bridge import ByteOutcomes
from tallymark.bridge.byte_port import MessageSink
from tallymark.markerlog import LoggedMarker, host_time_us

BYTE_PORT = "byte port"
BYTE_INPUT = "the box's byte input"


class Sent(NamedTuple):
    """A marker with its fate, and who sent it."""

    marker: LoggedMarker
    sender: str


class SentMarkers(ByteOutcomes):
    """The link's log while the page is open: the marker log, the bytes of the byte port with their
    fates, and the markers that windows of the page send.

    What has its fate waits in `news` for whoever shows it, who takes it from the left.
    """

    def __init__(self, say: MessageSink, now_us: Callable[[], int] = host_time_us) -> None:
        self.news: deque[Sent] = deque()
        self._by_hand: dict[int, Sent] = {}
        self._thread = threading.local()
        super().__init__(
            None, lambda entry: self.news.append(Sent(entry, BYTE_PORT)), say, now_us
        )

    @contextmanager
    def sender(self, name: str, test: bool = False) -> Iterator[None]:
        """Markers that this thread sends are those of a window of the page. test: see
        `MarkerLog.sent`."""
        self._thread.name, self._thread.test = name, test
        try:
            yield
        finally:
            self._thread.name = None

    def sent(
        self,
        number: int,
        code: int,
        width_us: int | None = None,
        name: str | None = None,
        host_us: int | None = None,
        stays: bool | None = None,
    ) -> None:
        """See `event_dispatch.Log`."""
        sender = getattr(self._thread, "name", None)
        if sender is None:
            super().sent(number, code, width_us, name, host_us, stays)
            return
        if self._log is not None:
            self._log.sent(number, code, width_us, name, host_us, stays, self._thread.test)
        entry = LoggedMarker(number, code, width_us, name, host_us, stays=stays,
                             test=self._thread.test)
        self._by_hand[number] = Sent(entry, sender)

    def answered(
        self,
        number: int,
        box_us: int,
        host_us: int,
        error_us: int,
        cut_us: int | None = None,
        delay_us: int | None = None,
        no_edge: bool = False,
    ) -> None:
        """See `event_dispatch.Log`."""
        super().answered(number, box_us, host_us, error_us, cut_us, delay_us, no_edge)
        if by_hand := self._by_hand.pop(number, None):
            entry = by_hand.marker
            entry.fate = "done"
            entry.box_us, entry.host_us, entry.error_us = box_us, host_us, error_us
            entry.cut_us, entry.delay_us, entry.no_edge = cut_us, delay_us or None, no_edge
            self.news.append(by_hand)

    def refused(self, number: int, why: str, cut_us: int | None = None) -> None:
        """See `event_dispatch.Log`."""
        super().refused(number, why, cut_us)
        if by_hand := self._by_hand.pop(number, None):
            by_hand.marker.fate, by_hand.marker.why = "refused", why
            self.news.append(by_hand)

    def unconfirmed(self, number: int, why: str) -> None:
        """See `event_dispatch.Log`."""
        super().unconfirmed(number, why)
        if by_hand := self._by_hand.pop(number, None):
            by_hand.marker.why = why
            self.news.append(by_hand)

    def byte_marker(self, entry: LoggedMarker) -> None:
        """A byte on the box's own byte input."""
        self._write(lambda log: log.byte_marker(entry))
        self.news.append(Sent(entry, BYTE_INPUT))
