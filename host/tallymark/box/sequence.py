"""A sequence of codes that the box plays by its own clock."""

from __future__ import annotations

from operator import index

from tallymark.box.interface_for_box_parts import LinkOwner
from tallymark.box.link.marker import Marker
from tallymark.box.wire.answer_values import SequenceState
from tallymark.box.wire.layouts import REQUESTS
from tallymark.box.wire.protocol_enumerations import Request, SequencePhase
from tallymark.errors import BadValue
from tallymark.formatting import time_text

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

    def start(self) -> Marker:
        """Starts it and waits for the box's word; `box_time_us` of the result is the first edge.

        Raises Refused, Unconfirmed, PortGone.
        """
        self._ended = self._box.link.sequences_ended
        return self._box.link.put_start(self.repeats).wait()

    def stop(self) -> SequenceState:
        """Takes the lines to idle if it plays, and says how far it came."""
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
            if state.phase is not SequencePhase.PLAYING or (
                end is not None and pacing.now() >= end
            ):
                return state
