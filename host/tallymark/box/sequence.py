"""A sequence of codes that the box plays by its own clock."""

from __future__ import annotations

from operator import index

from tallymark.box.interface_for_box_parts import LinkOwner
from tallymark.box.link.marker import Marker, Outcome
from tallymark.box.times_ahead import box_times
from tallymark.box.wire.answer_values import SequenceState
from tallymark.box.wire.layouts import REQUESTS
from tallymark.box.wire.protocol_enumerations import Capability, Request, SequencePhase
from tallymark.common.errors import BadValue
from tallymark.common.formatting import time_text

_LOOK_SECONDS = 1.0  # in case the notice of a sequence's end was lost


class Sequence:
    """A sequence that was loaded into a box. Made by `Box.sequence`."""

    def __init__(self, box: LinkOwner, steps: list[tuple[int, int]], repeats: int) -> None:
        identity = box.identity
        if not 0 < len(steps) <= identity.steps:
            raise BadValue(f"This box takes a sequence of 1 to {identity.steps} steps, not "
                           f"{len(steps)}. Nothing was loaded. Use repeats, or a shorter sequence.")
        if not 0 <= index(repeats) < 2**32:
            raise BadValue(f"Repeats go from 0 (until stopped) to {2**32 - 1}, not {repeats}.")
        layout = REQUESTS[Request.SEQUENCE_LOAD]
        bodies = []
        for number, (code, hold_us) in enumerate(steps):
            if not 0 <= index(code) < 256:
                raise BadValue(f"Step {number}: a code goes from 0 to 255, not {code}.")
            if not identity.least_width_us <= index(hold_us) <= identity.longest_width_us:
                raise BadValue(
                    f"Step {number}: the hold time goes from {time_text(identity.least_width_us)} "
                    f"to {time_text(identity.longest_width_us)}, not {time_text(hold_us)}."
                )
            bodies.append(layout.build({"index": number, "code": code, "hold": hold_us}))
        self._box = box
        self._ended = 0
        self.steps = steps
        self.repeats = repeats
        box.link.ask_all(Request.SEQUENCE_LOAD, bodies)

    @property
    def duration_us(self) -> int | None:
        """How long it plays; None: until stopped."""
        return sum(hold for _, hold in self.steps) * self.repeats if self.repeats else None

    def start(
        self,
        *,
        at: float | None = None,
        after_s: float | None = None,
        bound_s: float | None = None,
    ) -> Marker:
        """Starts it, now or at a time to come, and waits for the box's word.

        Without a time, `box_time_us` of the result is the first edge. With one, the box's own timer
        starts it, in the microsecond that was asked for or not at all; the result is a marker
        ahead, whose `wait()` waits for the first edge, and which `Box.cancel` or `stop()` takes
        back.

        at: host time of the first edge, in seconds of `pacing.now()`; after_s: seconds from now;
        either at most 30 minutes ahead, and at least `identity.least_lead_us` and the way to the
        box. bound_s: largest error of the box time that you can use.

        While it waits, the box refuses markers ahead, and markers that are in its way. Raises
        BadValue; Refused, with `Reason.LATE` if it came too late; Unconfirmed, PortGone.
        """
        box = self._box
        self._ended = box.link.sequences_ended
        if at is None and after_s is None:
            return box.link.put_start(self.repeats).wait()
        if not box.identity.capabilities & Capability.START_AT:
            raise BadValue(
                "The firmware of this box can't start a sequence at a time. Nothing was sent. "
                "Start it when it is to play, or load newer firmware."
            )
        now = box.pacing.now()
        times = box_times(box.link.clock, box.identity, now, at, after_s, 0.0, bound_s)
        marker = box.link.put_start(self.repeats, times.at_us, times.due_s)
        box.link.wait_for(lambda: marker.outcome is not Outcome.OPEN)
        return marker.wait() if marker.error is not None else marker

    def stop(self) -> SequenceState:
        """Takes the lines to idle if it plays, takes it back if it waits for its time, and says how
        far it came."""
        return SequenceState.parse(self._box.link.ask(Request.SEQUENCE_STOP).body)

    def state(self) -> SequenceState:
        """Where it stands."""
        return SequenceState.parse(self._box.link.ask(Request.SEQUENCE_STATE).body)

    def wait(self, timeout: float | None = None) -> SequenceState:
        """Waits until it has ended, or for `timeout` seconds; returns where it stands then."""
        link, pacing = self._box.link, self._box.pacing
        end = None if timeout is None else pacing.now() + timeout
        while True:
            left = _LOOK_SECONDS if end is None else min(_LOOK_SECONDS, end - pacing.now())
            link.wait_for(
                lambda: link.sequences_ended > self._ended or link.failure is not None, left
            )
            state = self.state()
            if state.phase not in (SequencePhase.PLAYING, SequencePhase.WAITS) or (
                end is not None and pacing.now() >= end
            ):
                return state
