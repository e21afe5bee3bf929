"""The host time of a marker ahead as a box time, and what that is worth. Internal."""

from __future__ import annotations

from typing import NamedTuple

from tallymark.box.link.clock import ClockEstimate
from tallymark.box.wire.answer_values import Identity
from tallymark.box.wire.protocol_enumerations import Capability
from tallymark.common.errors import BadValue
from tallymark.common.formatting import time_text

LONGEST_S = 1800.0
"""How far ahead a marker can be given: box times on the wire have 32 bits."""


class BoxTimes(NamedTuple):
    """Until when a marker may go out, and when it is to, in box time (µs); and host time (s) by
    which its edge has to be out."""

    expiry_us: int
    at_us: int
    due_s: float


def box_times(
    clock: ClockEstimate,
    identity: Identity,
    now: float,
    at: float | None,
    after_s: float | None,
    late_s: float,
    bound_s: float | None,
) -> BoxTimes:
    """Box times of a marker for host time `at`, or `after_s` seconds after `now`; see `Box.pulse`.

    Raises BadValue.
    """
    if not identity.capabilities & Capability.AHEAD:
        raise BadValue(
            "The firmware of this box can't put out markers ahead of their time. Nothing was sent. "
            "Send the marker at its time, or load newer firmware."
        )
    if (at is None) == (after_s is None):
        raise BadValue("Give a time ('at') or a time from now ('after_s'), not both.")
    if at is None:
        at = now + (after_s or 0.0)
    if not now - LONGEST_S < at < now + LONGEST_S or not 0 <= late_s < LONGEST_S:
        raise BadValue(
            f"A marker can be given {LONGEST_S / 60:g} minutes ahead at most, not "
            f"{at - now:.3f} s. Host times are those of 'box.pacing.now()'. Nothing was sent."
        )
    try:
        box_us, bound_us = clock.to_box(at)
    except ValueError:
        raise BadValue(
            "The box has started again, and the clocks were not compared since. Nothing was sent. "
            "Call sync_clock() first."
        ) from None
    if bound_s is not None and bound_us > bound_s * 1e6:
        raise BadValue(
            f"The clocks are known to agree within {time_text(round(bound_us))} at that time, not "
            f"within {time_text(round(bound_s * 1e6))} as asked. Nothing was sent. Call "
            "sync_clock() shortly before, give the marker less far ahead, or accept a wider bound."
        )
    at_us = round(box_us)
    return BoxTimes(at_us + round(late_s * 1e6), at_us, at + late_s + bound_us * 1e-6)
