"""What holds of markers that were given ahead of their time, and of what is told of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from box_model import Run
from clocks import HostClock
from promise_errors import Broken

from tallymark import Outcome
from tallymark.box.link.marker import Marker

ROUNDING_S = 2.1e-6
"""Host times become whole microseconds of box time and back, and bounds are rounded too."""
TO_COME = (Outcome.OPEN, Outcome.ACCEPTED)
"""Outcomes of a marker whose story goes on."""


@dataclass(frozen=True)
class Ahead:
    """What a program asked for: the host time of the edge, how much later it may be, and what the
    library said then of how well it knew the box's clock at that time (seconds)."""

    at_s: float
    late_s: float
    bound_s: float


def check_done_ahead(
    ahead: Ahead, marker: Marker, run: Run, clock: HostClock, count: Callable[[str], None]
) -> None:
    """It went out at its box time or as much later as is told, at the host time that was asked for
    within the bound of then, and at the one that is told within the bound of now."""
    count("told: done, given ahead")
    assert marker.at_us is not None
    late_us = run.box_us - marker.at_us
    if late_us < 0 or late_us != marker.delay_us:
        raise Broken(
            "confirmed-is-true", f"{marker}: {late_us} µs late, {marker.delay_us} µs are told"
        )
    if late_us > round(ahead.late_s * 1e6):
        raise Broken("confirmed-is-true", f"{marker}: {late_us} µs late, which was not wanted")
    edge_s = clock.at(run.life_us)
    off_s = edge_s - late_us * 1e-6 - ahead.at_s
    if abs(off_s) > ahead.bound_s + ROUNDING_S:
        raise Broken(
            "time-in-bound",
            f"{marker}: {off_s * 1e6:.1f} µs from the time asked for, "
            f"{ahead.bound_s * 1e6:.1f} µs stated before",
        )
    told = marker.host_time
    if told is not None and abs(told.seconds - edge_s) > told.bound_s + ROUNDING_S:
        off_us = (told.seconds - edge_s) * 1e6
        raise Broken(
            "time-in-bound", f"{marker}: {off_us:.1f} µs off, {told.bound_s * 1e6:.1f} µs stated"
        )
