"""The probes of a box: levels, edges, and pieces of the signal."""

from __future__ import annotations

from collections import deque
from threading import Lock

from tallymark.box.interface_for_box_parts import LinkOwner
from tallymark.box.wire.answer_values import ProbeEdge, ProbeEdges, ProbeLevels, Snippet
from tallymark.box.wire.protocol_enumerations import Request
from tallymark.common.errors import BadValue

INPUTS = ("light", "sound")
"""Inputs with a level, in the order of the protocol."""
_EDGES_MOST = 100_000
_SAMPLES_MOST = 2_048
_ROUNDS_MOST = 10_000


class Probes:
    """What the probes of a box see: `Box.probes`. The settings say which are watched.

        box.settings.write(box.settings.read().changed(light="level", light_threshold=20_000))
        box.pulse(5)
        box.pacing.sleep(0.1)
        for edge in box.probes.take():
            print(edge.probe, edge.on, edge.time_us)

    lost: edges so far that had no room in the box (a notice that says 255 stands for 255 or more),
    or here, because nobody took them.
    """

    def __init__(self, box: LinkOwner) -> None:
        self.lost = 0
        self._box = box
        self._lock = Lock()
        self._edges: deque[ProbeEdge] = deque()

    def levels(self) -> ProbeLevels:
        """Levels at the inputs over the last 10 ms or more, and what is on now.

        Raises Refused (by a box without probes), NoAnswer, PortGone."""
        return ProbeLevels.parse(self._box.link.ask(Request.PROBE_LEVELS).body)

    def take(self) -> list[ProbeEdge]:
        """Takes the edges that the box has told since the last call, oldest first for each probe.

        A marker log gets them in any case, and `Box.listen` each notice (`ProbeEdges`). What is on
        when a probe begins to be watched is no edge. The last 100,000 are held."""
        with self._lock:
            taken = list(self._edges)
            self._edges.clear()
        return taken

    def snippet(self, probe: str, every: int = 1) -> Snippet:
        """A piece of the signal from now on: 2,048 samples. Waits until they are there.

        probe: "light" or "sound". every: 1 to 255: one of so many samples, which the box makes
        every 10 µs. So a snippet lasts from 20 ms to 5.2 s. The input need not be watched.

        Raises BadValue; Refused by a box without analog inputs; NoAnswer, PortGone.
        """
        if probe not in INPUTS:
            raise BadValue(f"A snippet is of light or sound, not {probe!r}.")
        if not 1 <= every <= 255:
            raise BadValue(f"'every' goes from 1 to 255, not {every}.")
        link, pacing = self._box.link, self._box.pacing
        link.ask(Request.SNIPPET_TAKE, bytes((INPUTS.index(probe), every)))
        whole: Snippet | None = None
        samples: list[int] = []
        for _ in range(_ROUNDS_MOST):
            part = Snippet.parse(
                link.ask(Request.SNIPPET_READ, len(samples).to_bytes(2, "little")).body
            )
            whole = whole or part
            samples += part.samples
            if len(samples) >= _SAMPLES_MOST:
                break
            if not part.samples:
                left_us = (_SAMPLES_MOST - part.taken) * max(part.interval_us, 1)
                pacing.sleep(min(max(left_us, 1_000), 50_000) * 1e-6)
        assert whole is not None
        return Snippet(whole.time_us, whole.interval_us, len(samples), tuple(samples))

    def hear(self, notice: ProbeEdges) -> None:
        """Takes edges that the box sent by itself. Called by `Box`."""
        with self._lock:
            self.lost += notice.lost
            self._edges.extend(notice.edges)
            while len(self._edges) > _EDGES_MOST:
                self._edges.popleft()
                self.lost += 1
