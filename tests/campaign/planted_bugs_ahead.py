"""Bugs in the way of markers ahead, planted one at a time, to see that the campaign notices them.

As `planted_bugs`; `PLANTED_AHEAD` gives the promise that has to break and the seed of a world
(`scripts_ahead`) that shows it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from planted_bugs import _instead

from tallymark.box import box as box_module
from tallymark.box.link.accepted_markers import AcceptedMarkers
from tallymark.box.link.link import Link
from tallymark.box.link.marker import Marker, Outcome, Result
from tallymark.box.link.request_window import RequestWindow
from tallymark.box.times_ahead import BoxTimes, box_times
from tallymark.box.wire.protocol_enumerations import NO_CUT, Reason, Request
from tallymark.common.errors import Refused


def _accepted_means_done() -> Any:
    """A marker that the box has accepted counts as one that was out at its time."""
    right = AcceptedMarkers.accept

    def accept(self: AcceptedMarkers, marker: Marker, number: int, late: bool = False) -> None:
        right(self, marker, number, late)
        assert marker.at_us is not None
        self._done(marker, marker.at_us, None, 0, False)

    return _instead(AcceptedMarkers, "accept", accept)


def _cancel_without_an_answer() -> Any:
    """Markers that are asked back count as taken back, whatever the box says."""
    right = Link.cancel

    def cancel(self: Link, marker: Marker | None = None) -> list[Marker]:
        with self.lock:
            for each in list(self._exchange.accepted.values()):
                if marker in (None, each):
                    error = Refused(Reason.CANCELLED, NO_CUT, Request.TIMED)
                    self._exchange.end_marker(each, Result(Outcome.REFUSED, error=error))
        return right(self, marker)

    return _instead(Link, "cancel", cancel)


def _edge_unheard() -> Any:
    """Where the notice of an edge is lost, nobody asks what became of the marker."""
    return _instead(AcceptedMarkers, "look", lambda self, now: None)


def _waits_through_a_restart() -> Any:
    """Markers that waited in the box are not ended when it starts again."""
    return _instead(RequestWindow, "unended_markers", RequestWindow.open_markers)


def _sent_early() -> Any:
    """A marker is given for a moment before its time, so that it is there for sure."""

    def early(*given: Any) -> BoxTimes:
        times = box_times(*given)
        return times._replace(at_us=times.at_us - 4_000)

    return _instead(box_module, "box_times", early)


def _late_untold() -> Any:
    """A marker that comes after its time, and goes out at once, counts as punctual."""
    return _instead(Marker, "delay_us", Marker.told_delay_us)


PLANTED_AHEAD: dict[Callable[[], Any], tuple[str, int]] = {
    _accepted_means_done: ("confirmed-is-true", 0),
    _cancel_without_an_answer: ("refused-is-true", 2),
    _edge_unheard: ("no-stuck-library", 6),
    _waits_through_a_restart: ("nothing-stays-open", 7),
    _sent_early: ("time-in-bound", 1),
    _late_untold: ("confirmed-is-true", 0),
}
