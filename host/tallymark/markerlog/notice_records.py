"""What a box tells, as an entry of a marker log."""

from __future__ import annotations

from tallymark.box.link.clock import ClockEstimate
from tallymark.box.wire.answer_values import ByteMarker
from tallymark.markerlog.log_data import LoggedMarker


def from_notice(notice: ByteMarker, clock: ClockEstimate) -> LoggedMarker:
    """A byte that came in on the box's byte input. Without host times before the clocks were
    compared."""
    host_us = error_us = None
    if clock:
        host_us, error_us = clock.to_host_us(notice.time_us)
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
        no_edge=notice.no_edge,
    )
