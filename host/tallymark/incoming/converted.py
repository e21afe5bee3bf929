"""Markers and notices of a box as entries of a marker log, for those who show them live."""

from __future__ import annotations

from tallymark.clock import ClockEstimate
from tallymark.errors import Refused, Unconfirmed
from tallymark.marker import Marker, Outcome
from tallymark.markerlog import LoggedMarker
from tallymark.messages import Request
from tallymark.values import ByteMarker


def from_marker(
    marker: Marker, clock: ClockEstimate, name: str | None = None, late_us: int | None = None
) -> LoggedMarker:
    """A marker that was sent; one that is still open counts as unconfirmed."""
    error, box_us = marker.error, marker.box_time_us
    host_us, error_us = _host(clock, box_us)
    entry = LoggedMarker(
        marker.number,
        marker.code,
        marker.width_us,
        name,
        round(marker.sent_s * 1e6),
        box_us,
        host_us,
        error_us,
        cut_us=marker.cut_lasted_us,
        delay_us=marker.delay_us or None,
        late_us=late_us,
        stays=marker.request is Request.SET,
    )
    if marker.outcome is Outcome.DONE:
        entry.fate = "done"
    elif isinstance(error, Refused):
        entry.fate = "refused"
        entry.why = error.reason.label if error.reason else str(error)
    elif isinstance(error, Unconfirmed):
        entry.why = error.why
    return entry


def from_notice(notice: ByteMarker, clock: ClockEstimate) -> LoggedMarker:
    """A byte that came in on the box's byte input."""
    host_us, error_us = _host(clock, notice.time_us)
    return LoggedMarker(
        -1,
        notice.byte,
        notice.width_us,
        box_us=notice.time_us,
        host_us=host_us,
        error_us=error_us,
        fate="done" if notice.reason is None else "refused",
        why="" if notice.reason is None else notice.reason.label,
        cut_us=notice.cut_lasted_us,
        delay_us=notice.delay_us or None,
        source="byte",
        stays=notice.stays,
    )


def _host(clock: ClockEstimate, box_us: int | None) -> tuple[int | None, int | None]:
    if box_us is None or not clock:
        return None, None
    time = clock.to_host(box_us)
    return round(time.seconds * 1e6), round(time.bound_s * 1e6)
