"""A world with a light, a sound and a button at the probes: what they do is told as edges of theirs
and as nothing else, and what is lost of it is told as lost."""

from __future__ import annotations

from copy import deepcopy
from itertools import pairwise
from random import Random
from typing import Any

from promise_errors import Broken
from scripts import HAPPENS, Step, _draw
from world import World

from tallymark import markerlog
from tallymark.box.probe_modes import LightProbe, SoundProbe, TtlProbe
from tallymark.box.wire import layouts
from tallymark.box.wire.protocol_enumerations import FIRST_NOTICE, IN_SESSION, Notice

Edge = tuple[int, str, bool]
"""Box time in µs, probe, whether it went on."""
SOURCES = {1: "light", 2: "sound", 3: "light", 4: "sound", 5: "ttl"}
WATCH: dict[str, Any] = {
    "light": LightProbe.LEVEL, "light_threshold": 20_000, "light_hysteresis": 5_000,
    "sound": SoundProbe.LEVEL, "sound_threshold": 9_000, "sound_hysteresis": 3_000,
    "ttl": TtlProbe.HIGH,
}  # fmt: skip


class ProbedWorld(World):
    """As `World`, with probes that see something: `happen`."""

    def __init__(self, ppm: float = 0.0) -> None:
        super().__init__(ppm)
        self._heard: list[Edge] = []
        self._taken: list[Edge] = []
        self._true: list[tuple[int, Edge]] = []
        self._places: list[int] = []
        start_again = self.model.start_again

        def with_inputs(cause: int, life_us: int) -> None:
            inputs, high = dict(self.model.inputs), dict(self.model.high)
            start_again(cause, life_us)
            self.model.inputs, self.model.high = inputs, high  # they are outside of the box

        self.model.start_again = with_inputs  # type: ignore[method-assign]

    def happen(self, probe: str, level: int) -> None:
        """A probe's input has that level from now on."""
        self.trace("probe", probe, level)
        self.count("changes at probes")
        self.device.set_probe(probe, level)
        self.device.advance(self.life_us)
        self.model.probe(probe, level)
        self._compare()

    def _compare(self) -> None:
        for kind, _, told in self.model.said:
            if kind & ~IN_SESSION == Notice.PROBE_EDGES:
                self._true += [(self.model.starts, edge) for edge in _edges_of(told)]
        super()._compare()

    def _hear(self) -> None:
        """Keeps what the host has heard of probes before the world looks at the rest."""
        port, session = self._port, self.session
        if port is not None and session is not None:
            last, start = session.last_notice, session.start
            decoder = deepcopy(self._said_decoder)
            for data, label in port.heard:
                if label < start:
                    continue
                start = label
                for marked, number, body in decoder.feed(data):
                    kind = marked & ~IN_SESSION
                    if kind < FIRST_NOTICE or kind == Notice.STARTED:
                        last = number if kind == Notice.STARTED else last
                        continue
                    if last is not None and number == last:
                        continue
                    last = number if last is not None else last
                    if kind == Notice.PROBE_EDGES:
                        told = layouts.NOTICES[Notice.PROBE_EDGES].parse(body)
                        self._heard += self._known(label, _edges_of(told))
        super()._hear()

    def _known(self, start: int, edges: list[Edge]) -> list[Edge]:
        for edge in edges:  # in one microsecond the same may happen twice
            since = self._places[-1] + 1 if self._places else 0
            if (start, edge) not in self._true[since:]:
                raise Broken("probe-edges-true", f"{edge} of a probe that never came, or did once")
            self._places.append(self._true.index((start, edge), since))
        self.counts["probe edges heard"] += len(edges)
        return edges

    def _check_lost(self, session: Any) -> None:
        """An edge that is missing between two others is in a notice that is known to be missing."""
        for before, after in pairwise(self._places):
            lost = after - before - 1
            if lost and self._true[before][0] == self._true[after][0]:
                self.counts["probe edges lost on the link"] += lost
                if not session.notices_missing:
                    raise Broken("probe-edges-true", f"{lost} probe edges are lost, and no notice")

    def check(self) -> None:
        super().check()
        if self.box is not None:
            self._take()

    def _take(self) -> None:
        """What the library gives is what the host has heard, each once."""
        assert self.box is not None
        self._taken += [(edge.time_us, edge.probe, edge.on) for edge in self.box.probes.take()]
        if sorted(self._taken) != sorted(self._heard):
            raise Broken("probe-edges-true",
                         f"probe edges {self._taken} for {self._heard}, which were heard")

    def open(self) -> Any:
        self._heard, self._taken, self._places = [], [], []
        box = super().open()
        box.probes.take()
        self._heard.clear()
        self._places.clear()
        return box

    def _over(self, session: Any) -> None:
        box = self.box
        whole = session.logged and not (
            session.killed or session.disk_failed or session.lost_at_close
        )
        if box is not None and not session.killed:
            self._hear()
            self._take()
            self._check_lost(session)
        super()._over(session)
        if box is not None and whole:
            logged = markerlog.read(session.log_path).probe_edges
            if sorted((e.box_us, e.probe, e.on) for e in logged) != sorted(self._taken):
                raise Broken("probe-edges-true", "the log has other probe edges than were heard")
            self.counts["probe edges in logs"] += len(logged)


def _edges_of(told: Any) -> list[Edge]:
    return [(edge["time"], SOURCES[edge["source"]], bool(edge["on"])) for edge in told["edges"]]


def _happen(world: Any, after_us: int, probe: str, level: int) -> None:
    world.at(world.life_us + after_us, lambda: world.happen(probe, level))


def _watch(world: Any) -> None:
    if world.box is None:
        world.open()
    world.settings(**WATCH)


HAPPENS["probe"] = _happen
HAPPENS["watch"] = _watch

PROFILES: dict[str, dict[str, int]] = {
    "calm": {"pulse": 20, "set": 3, "sleep": 20, "wait": 5, "burst": 1, "byte": 5},
    "lossy link": {"pulse": 20, "sleep": 20, "wait": 5, "to host": 12, "to box": 4, "silence": 1},
    "restarts": {"pulse": 20, "sleep": 20, "wait": 5, "power": 3, "restart": 1, "watch": 5},
    "captures": {"pulse": 15, "sleep": 15, "wait": 5, "capture": 5, "levels": 3},
    "two hosts": {"pulse": 20, "sleep": 20, "close": 3, "kill": 3, "watch": 5, "unplug": 1},
}


def script_of(seed: int, length: int = 60) -> list[Step]:
    """Markers, faults and what the probes see, all at once."""
    random = Random(seed)
    weights = list(PROFILES.values())[seed % len(PROFILES)]
    steps: list[Step] = [("watch",)]
    for name in random.choices(list(weights), list(weights.values()), k=length):
        for _ in range(random.choice([0, 1, 1, 3, 12])):
            probe = random.choice(["light", "light", "sound", "ttl"])
            steps.append(("probe", random.choice([0, 7, 400, 2_000, 31_000]), probe,
                          random.choice([0, 16_000, 19_999, 40_000])))
        steps.append(("watch",) if name == "watch" else _draw(name, random))
    return [*steps, ("sleep", 100_000), ("wait",)]
