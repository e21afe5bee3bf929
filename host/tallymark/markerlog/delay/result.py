"""The delays of a log, as values."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tallymark.markerlog.delay.pairing import AMBIGUOUS, FOUND, MISSING, STILL_ON, UNKNOWN
from tallymark.markerlog.delay.steadiness import Steadiness

FATES = {
    FOUND: "found",
    MISSING: "missing",
    STILL_ON: "still on",
    UNKNOWN: "unknown",
    AMBIGUOUS: "ambiguous",
}


@dataclass(frozen=True)
class EventDelay:
    """The delays of one event. Times in µs, None where there are too few.

    markers: how many went out. found, missing, still_on, unknown, ambiguous: what became of them
    (see `pairing`). double: with further onsets in their range. off: found ones that are off from
    the others, which mean, SD and median leave out; least and most have them in.
    """

    name: str
    markers: int
    found: int
    missing: int
    still_on: int
    unknown: int
    ambiguous: int
    double: int
    off: int
    mean_us: float | None
    sd_us: float | None
    median_us: float | None
    least_us: float | None
    most_us: float | None


@dataclass(frozen=True)
class ProbeDelay:
    """What one probe says of one stretch of the log, from one start of the box to the next.

    at: for each marker its place in the log's markers. times_us: of the markers, in µs of the box;
    delays_us: NaN without an onset. names: of their events. fates: see `pairing`. onsets: how many
    the probe saw; stray: those in no marker's range. steady: of the markers that have an onset,
    None for fewer than two. why: why nothing is claimed ('flicker', 'rhythm', 'neighbour', 'no
    onsets'), or empty. all_events: as `events`, of all of them.
    """

    probe: str
    part: int
    at: npt.NDArray[np.int64]
    times_us: npt.NDArray[np.int64]
    delays_us: npt.NDArray[np.float64]
    names: tuple[str, ...]
    fates: npt.NDArray[np.int64]
    double: npt.NDArray[np.bool_]
    onsets: int
    stray: int
    steady: Steadiness | None
    why: str
    events: tuple[EventDelay, ...]
    all_events: EventDelay

    @property
    def off(self) -> npt.NDArray[np.float64]:
        """For each marker by how much its delay is off from the others, in µs; 0 where it isn't."""
        whole = np.zeros(len(self.at))
        if self.steady is not None:
            whole[np.flatnonzero(self.fates == FOUND)] = self.steady.shift_us
        return whole

    @property
    def good(self) -> bool:
        """Whether each marker has its one onset, and the delay did not change."""
        every, steady = self.all_events, self.steady
        return every.found == every.markers > 0 and not every.double and not every.off and (
            steady is None or not (steady.steps or steady.drift_us_per_hour or steady.unsteady)
        )


@dataclass(frozen=True)
class Delays:
    """The delays of a log. range_us: when an onset may come, from its marker on. notes: what limits
    what can be said, in sentences."""

    path: Path
    range_us: tuple[int, int]
    probes: tuple[ProbeDelay, ...]
    notes: tuple[str, ...] = field(default=())

    def by_marker(self) -> dict[int, tuple[str, float]]:
        """Probe and delay in µs (NaN without an onset) by the place of a marker in the log."""
        return {
            int(at): (probe.probe, float(delay))
            for probe in self.probes
            for at, delay in zip(probe.at, probe.delays_us, strict=True)
        }

    @property
    def good(self) -> bool:
        """Whether all is well with each probe."""
        return bool(self.probes) and all(probe.good for probe in self.probes)


def as_data(delays: Delays) -> dict[str, Any]:
    """For JSON. Times in µs."""
    return {
        "log": str(delays.path),
        "good": delays.good,
        "range_us": list(delays.range_us),
        "notes": list(delays.notes),
        "probes": [_probe(probe) for probe in delays.probes],
    }


def _probe(probe: ProbeDelay) -> dict[str, Any]:
    steady = probe.steady
    off = probe.off
    rows = zip(probe.at, probe.times_us, probe.names, probe.fates, probe.delays_us, probe.double,
               off, strict=True)
    return {
        "probe": probe.probe,
        "part": probe.part,
        "good": probe.good,
        "why_not": probe.why or None,
        "onsets": probe.onsets,
        "onsets_without_marker": probe.stray,
        "all": asdict(probe.all_events),
        "events": [asdict(event) for event in probe.events],
        "jitter_us": None if steady is None else _number(steady.jitter_us),
        "drift_us_per_hour": None if steady is None else steady.drift_us_per_hour,
        "unsteady": None if steady is None else steady.unsteady,
        "steps": [] if steady is None else [
            {"marker": int(probe.at[probe.fates == FOUND][step.at]), "box_us": step.box_us,
             "size_us": step.size_us}
            for step in steady.steps
        ],
        "markers": [
            {"marker": int(at), "box_us": int(time), "event": name, "fate": FATES[int(fate)],
             "delay_us": _number(float(delay)), "double": bool(double), "off_us": float(apart)}
            for at, time, name, fate, delay, double, apart in rows
        ],
    }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value
