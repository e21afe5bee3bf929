"""What a participant sees and hears in a practice session, with frames that are dropped."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tallymark.box.box import Box
from tallymark.plan import Event, Plan
from tallymark.virtual.stimuli.display import Display
from tallymark.virtual.stimuli.levels import Levels, present
from tallymark.virtual.stimuli.loudspeaker import Loudspeaker
from tallymark.virtual.stimuli.room import Room

_HYSTERESIS = 4_000
_PIECE_S = 1.0  # of the room's light at a time: the box takes some five seconds of a flicker ahead


@dataclass
class Stage:
    """Shows the events of a plan whose probe is the light, and plays those of the sound.

    dropped: share of events, 0 to 1, that come a frame (or a buffer) late. late: places of these
    among the markers of the session, from 1. The marker of an event for the light is sent at the
    begin of a frame, as by a program that waits for it. room: its light, which the sensor has
    beside that of the display; the box's threshold is that of a dark room all the same.
    """

    display: Display = field(default_factory=Display)
    speaker: Loudspeaker = field(default_factory=Loudspeaker)
    dropped: float = 0.0
    seed: int = 1
    late: list[int] = field(default_factory=list)
    room: Room | None = None
    _screen: Levels = field(default_factory=list, init=False)
    _screen_now: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        self._random = np.random.default_rng([self.seed, 7])

    def settings(self, plan: Plan) -> dict[str, Any]:
        """What to change in the box, so that it watches the probes of the plan."""
        probes = {event.probe for event in plan.events}
        changes: dict[str, Any] = {}
        for name, equipment in (("light", self.display), ("sound", self.speaker)):
            if name in probes:
                changes |= {name: "level", f"{name}_threshold": equipment.threshold,
                            f"{name}_hysteresis": _HYSTERESIS}
        return changes

    def wait(self, box: Box, event: Event) -> None:
        """Until the event's marker is to be sent."""
        if event.probe == "light":
            now = box.port.device.life_us
            self.pass_time(box, (self.display.frame_at(now) - now) / 1e6)

    def pass_time(self, box: Box, seconds: float) -> None:
        """Lets time pass, with the light of the room where there is one."""
        while self.room is not None and seconds > _PIECE_S:
            self._give_light(box, self.room, _PIECE_S)
            box.pacing.sleep(_PIECE_S)
            seconds -= _PIECE_S
        if self.room is not None:
            self._give_light(box, self.room, seconds)
        box.pacing.sleep(seconds)

    def _give_light(self, box: Box, room: Room, seconds: float) -> None:
        """What the sensor has of screen and room together, from now on."""
        device = box.port.device
        since, until = device.life_us, device.life_us + round(seconds * 1e6) + 1
        for at, level in room.with_light(self._screen, since, until, self._screen_now):
            device.set_probe("light", level, at)
        for _, level in (begun := [change for change in self._screen if change[0] < until]):
            self._screen_now = level
        del self._screen[: len(begun)]

    def present(self, box: Box, event: Event, sent_us: int, number: int) -> None:
        """Shows or plays the event. sent_us: life of the box when its marker was sent. number: of
        the marker in the session, from 1."""
        if event.probe not in ("light", "sound"):
            return
        dropped = int(self._random.random() < self.dropped)
        if dropped:
            self.late.append(number)
        device = box.port.device
        if event.probe == "light":
            shown = self.display.show(sent_us - 1, dropped=dropped)
            if self.room is None:
                present(device, "light", shown)
            else:
                self._screen = sorted([*self._screen, *shown.levels])
        else:
            present(device, "sound", self.speaker.play(sent_us, dropped=dropped))
