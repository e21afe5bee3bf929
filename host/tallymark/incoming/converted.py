"""Notices of a box as entries of a marker log, for those who show them live."""

from __future__ import annotations

from tallymark.clock import ClockEstimate
from tallymark.markerlog import LoggedMarker
from tallymark.values import ByteMarker


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
