"""What the probes of one box see, for windows: on, off, or not known."""

from __future__ import annotations

import threading
from collections import deque
from typing import NamedTuple

from tallymark.box.box import Box
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import ProbeEdges

PROBES = ("light", "sound", "ttl")
_KEPT = 20_000


class ProbeChange(NamedTuple):
    """From that box time on, what a probe sees is on or off; None: that is not known."""

    time_us: int
    probe: str
    on: bool | None


def watched(settings: Settings) -> tuple[str, ...]:
    """The probes that a box with these settings watches."""
    return tuple(name for name in PROBES if getattr(settings, name))


class ProbeChanges:
    """The last changes of the probes of one box, in the order in which the box told them. Any
    thread."""

    def __init__(self) -> None:
        self.watched: tuple[str, ...] = ()
        self._lock = threading.Lock()
        self._kept: deque[ProbeChange] = deque(maxlen=_KEPT)
        self._new: list[ProbeChange] = []

    def begin_box_time(self) -> None:
        """Box time began again: what probes saw before has no place in it."""
        with self._lock:
            self.watched = ()
            self._kept.clear()
            self._new.clear()

    def watch(self, box: Box, settings: Settings) -> None:
        """Begins with what is on now; what is on when a probe begins to be watched is no edge.

        settings: in force. Asks the box nothing where it watches the same probes as before, or
        none. Raises NoAnswer, PortGone."""
        names = watched(settings)
        if names == self.watched:
            return
        found = box.probes.levels()
        with self._lock:
            before, self.watched = self.watched, names
            for name in PROBES:
                if name in names and name not in before:
                    self._add(ProbeChange(found.time_us, name, name in found.on))
                elif name in before and name not in names:
                    self._add(ProbeChange(found.time_us, name, None))

    def hear(self, notice: ProbeEdges, now_us: float | None) -> None:
        """Edges that the box sent. now_us: box time, if it is known."""
        if notice.edges:
            lost_us: float | None = notice.edges[0].time_us
        else:
            lost_us = now_us
        with self._lock:
            if notice.lost and lost_us is not None:
                self._unknown(round(lost_us))
            for edge in notice.edges:
                self._add(ProbeChange(edge.time_us, edge.probe, edge.on))

    def miss(self, now_us: float | None) -> None:
        """Notices did not arrive: until the next edge it isn't known what is on."""
        if now_us is not None:
            with self._lock:
                self._unknown(round(now_us))

    def take_new(self) -> list[ProbeChange]:
        """Those since the last call."""
        with self._lock:
            new, self._new = self._new, []
            return new

    def all(self) -> list[ProbeChange]:
        """All that are kept."""
        with self._lock:
            return list(self._kept)

    def _unknown(self, at_us: int) -> None:
        for name in self.watched:
            self._add(ProbeChange(at_us, name, None))

    def _add(self, change: ProbeChange) -> None:
        self._kept.append(change)
        self._new.append(change)
