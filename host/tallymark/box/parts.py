"""What a `Box` hands out for longer jobs: a sequence, a capture, its settings."""

from __future__ import annotations

import contextlib
from collections import deque
from dataclasses import replace
from operator import index
from types import TracebackType
from typing import TYPE_CHECKING

from tallymark.errors import BadValue, TallymarkError
from tallymark.box.link.marker import Marker
from tallymark.box.wire.messages import REQUESTS, CaptureMode, Request, SequencePhase
from tallymark.box.settings import Settings, SettingsState
from tallymark.box.wire.values import Edge, Edges, SequenceState

if TYPE_CHECKING:
    from tallymark.box.box import Box

_LOOK_SECONDS = 1.0  # in case the notice of a sequence's end was lost
_KEEP_SECONDS = 2.0


class Sequence:
    """A sequence that was loaded into a box. Made by `Box.sequence`."""

    def __init__(self, box: Box, steps: list[tuple[int, int]], repeats: int) -> None:
        identity = box.identity
        if not 0 < len(steps) <= identity.steps:
            raise BadValue(f"A sequence has 1 to {identity.steps} steps with this box, not "
                           f"{len(steps)}. Nothing was loaded. Use repeats, or a shorter one.")
        if not 0 <= index(repeats) < 2**32:
            raise BadValue(f"Repeats go from 0 (until stopped) to {2**32 - 1}, not {repeats}.")
        layout = REQUESTS[Request.SEQUENCE_LOAD]
        bodies = []
        for number, (code, hold_us) in enumerate(steps):
            if not 0 <= index(code) < 256:
                raise BadValue(f"Step {number}: a code goes from 0 to 255, not {code}.")
            if not identity.least_width_us <= index(hold_us) <= identity.longest_width_us:
                raise BadValue(f"Step {number}: the hold time goes from {identity.least_width_us} "
                               f"to {identity.longest_width_us} µs, not {hold_us}.")
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


class Capture:
    """Captured changes of the readback. Made by `Box.capture`; starts at once.

    lost: changes that the box had no room for so far.
    """

    def __init__(self, box: Box, send: bool) -> None:
        self.lost = 0
        self._box = box
        self._sent: deque[Edge] = deque()  # the reader thread puts in, another takes out
        self._stopped = False
        self._send = send
        box._capture = self if send else None
        mode = CaptureMode.SEND if send else CaptureMode.KEEP
        box.link.ask(Request.CAPTURE_START, bytes((mode,)))

    def fetch(self) -> list[Edge]:
        """Takes the edges captured since the last call, oldest first.

        The first entry of a capture is the level of the readback at its start. Works after the
        capture was stopped too.
        """
        taken = [self._sent.popleft() for _ in range(len(self._sent))]
        if self._send and not self._stopped:
            return taken
        while True:
            edges = Edges.parse(self._box.link.ask(Request.CAPTURE_FETCH).body)
            self.lost += edges.lost
            if not edges.edges:
                return taken
            taken += edges.edges

    def add(self, edges: Edges) -> None:
        """Takes edges that the box sent by itself."""
        self.lost += edges.lost
        self._sent.extend(edges.edges)

    def stop(self) -> None:
        """Ends the capture; edges that were not fetched yet can still be."""
        if not self._stopped:
            self._box.link.ask(Request.CAPTURE_STOP)
            self._stopped = True

    def __enter__(self) -> Capture:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stops the capture; after an error as far as that is possible."""
        with contextlib.suppress(*(() if error is None else (TallymarkError,))):
            self.stop()


class BoxSettings:
    """The settings inside a box: `Box.settings`."""

    def __init__(self, box: Box) -> None:
        self._box = box

    def read(self) -> Settings:
        """The settings in force."""
        return self.state().settings

    def state(self) -> SettingsState:
        """The settings in force, where they came from, and how often settings were kept."""
        state = SettingsState.parse(self._box.link.ask(Request.SETTINGS_READ).body)
        self._box.identity = replace(self._box.identity, name=state.settings.name)
        return state

    def write(self, settings: Settings) -> None:
        """Puts settings in force and proves it by reading them back; `keep` makes them last.

        The lines have to be idle. Empties a loaded sequence.
        Raises BadValue, Refused; TallymarkError if they read back otherwise.
        """
        settings.check(self._box.identity)
        self._box.link.ask(Request.SETTINGS_WRITE, settings.pack())
        self._prove(settings)

    def keep(self) -> SettingsState:
        """Writes the settings in force to the box's non-volatile memory."""
        self._box.link.ask(Request.SETTINGS_KEEP, seconds=_KEEP_SECONDS, alone=True)
        return self.state()

    def factory(self) -> Settings:
        """Puts the factory values in force; `keep` makes them last."""
        self._box.link.ask(Request.SETTINGS_FACTORY)
        return self.read()

    def install(self, settings: Settings) -> SettingsState:
        """Makes this box a copy: writes settings, keeps them, and proves that both are equal."""
        self.write(settings)
        state = self.keep()
        self._prove(settings)
        return state

    def _prove(self, settings: Settings) -> None:
        if different := settings.differences(self.read()):
            raise TallymarkError(
                f"The box did not take the settings {', '.join(different)}: they read back "
                "otherwise. Don't use it before that is cleared up; try again."
            )
