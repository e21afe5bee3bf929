"""From a marker log to the delays of its events."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tallymark.common.errors import BadValue
from tallymark.common.formatting import some
from tallymark.markerlog import LogData, LoggedMarker
from tallymark.markerlog.delay.onsets import sight
from tallymark.markerlog.delay.pairing import (
    AMBIGUOUS,
    FOUND,
    MISSING,
    STILL_ON,
    UNKNOWN,
    Pairing,
    pair,
)
from tallymark.markerlog.delay.result import Delays, EventDelay, ProbeDelay
from tallymark.markerlog.delay.steadiness import Steadiness, steadiness
from tallymark.plan import Plan

RANGE_US = (-100_000, 400_000)
"""When an onset may come, from its marker on: displays and loudspeakers are at most so late, and a
program that sends the marker behind the frame is at most so early."""


def measure(
    log: LogData, wanted: Plan | Mapping[str, str] | str, range_us: tuple[int, int] = RANGE_US
) -> Delays:
    """The delays of the markers of a log.

    wanted: a plan, whose events say their `probe`; or probes by the names of events; or one probe
    ("light", "sound", "ttl") for all markers with a code. range_us: when an onset may come, in µs
    from its marker on.

    Raises BadValue if no event has a probe, or for a range that is none.
    """
    low, high = range_us
    if low >= high:
        raise BadValue("The range of delays has to end after its begin, such as -100ms to 400ms.")
    probes = _probes_of(wanted)
    found = []
    for name in sorted(set(probes.values())) if isinstance(probes, dict) else [probes]:
        for part in range(len(log.sessions)):
            markers = [
                (at, marker)
                for at, marker in enumerate(log.markers)
                if marker.part == part and _counts(marker) and _probe_of(marker, probes) == name
            ]
            if markers:
                found.append(_probe(log, name, part, markers, low, high))
    if not found:
        raise BadValue("No marker of the log belongs to an event with a probe. Check that the log "
                       "and the plan are of one session.")
    return Delays(log.path, range_us, tuple(found), tuple(_notes(log)))


def measured_by_plan(log: LogData, plan: Plan | None) -> Delays | None:
    """As `measure`; None where the plan names no probe or the log has no edge of one."""
    if plan is None or not log.probe_edges or not any(event.probe for event in plan.events):
        return None
    names = {event.name for event in plan.events if event.probe}
    if not any(_counts(marker) and marker.name in names for marker in log.markers):
        return None
    return measure(log, plan)


def _probes_of(wanted: Plan | Mapping[str, str] | str) -> dict[str, str] | str:
    if isinstance(wanted, str):
        return wanted
    if not isinstance(wanted, Plan):
        return dict(wanted)
    probes = {event.name: str(event.probe) for event in wanted.events if event.probe}
    if not probes:
        raise BadValue("No event of the plan has a probe. Add, for instance, the line "
                       "'probe = \"light\"' to each event that changes the light at the sensor.")
    return probes


def _probe_of(marker: LoggedMarker, probes: dict[str, str] | str) -> str | None:
    return probes if isinstance(probes, str) else probes.get(marker.name or "")


def _counts(marker: LoggedMarker) -> bool:
    """Markers that a person sent to look for something are none of the experiment's."""
    return bool(marker.code) and marker.fate == "done" and marker.box_us is not None and (
        not marker.test
    )


def _probe(
    log: LogData, name: str, part: int, markers: list[tuple[int, LoggedMarker]], low: int, high: int
) -> ProbeDelay:
    markers = sorted(markers, key=lambda each: each[1].box_us or 0)
    times = np.array([marker.box_us for _, marker in markers], np.int64)
    names = tuple(marker.name or f"code {marker.code}" for _, marker in markers)
    seen = sight(log, name, part)
    paired = pair(times, seen, low, high)
    fates = _doubted(log, [marker for _, marker in markers], paired, low, high)
    has = np.flatnonzero(fates == FOUND)
    kinds = sorted(set(names))
    groups = np.array([kinds.index(each) for each in names], np.int64)
    steady: Steadiness | None = None
    off = np.zeros(len(times), bool)
    if len(has) > 1:
        steady = steadiness(times[has].astype(np.float64), paired.delays[has], groups[has])
        off[has] = steady.off
    why = paired.why or ("" if len(seen.onsets) else "no onsets")

    def tell(kind: str, chosen: np.ndarray) -> EventDelay:
        return _event(kind, fates[chosen], paired.delays[chosen], paired.double[chosen],
                      off[chosen])

    return ProbeDelay(
        name, part, np.array([at for at, _ in markers], np.int64), times, paired.delays, names,
        fates, paired.double, len(seen.onsets), int((~paired.used).sum()), steady, why,
        tuple(tell(kind, groups == number) for number, kind in enumerate(kinds)),
        tell("all", np.ones(len(times), bool)),
    )


def _doubted(
    log: LogData, markers: list[LoggedMarker], paired: Pairing, low: int, high: int
) -> np.ndarray:
    """An onset that the log need not hold is not missing: its fate is unknown."""
    fates = paired.fates.copy()
    for n in np.flatnonzero(np.isin(fates, (MISSING, STILL_ON))):
        host = markers[n].host_us
        in_hole = host is not None and any(
            (hole.since_us is None or hole.since_us <= host + high)
            and (hole.until_us is None or host + low <= hole.until_us)
            for hole in log.holes
        )
        if log.notices_lost or log.bad_lines or in_hole:
            fates[n] = UNKNOWN
    return fates


def _event(
    name: str, fates: np.ndarray, delays: np.ndarray, double: np.ndarray, off: np.ndarray
) -> EventDelay:
    has = fates == FOUND
    main = delays[has & ~off]
    every = delays[has]
    enough = len(main) > 1
    return EventDelay(
        name,
        len(fates),
        int(has.sum()),
        missing=int((fates == MISSING).sum()),
        still_on=int((fates == STILL_ON).sum()),
        unknown=int((fates == UNKNOWN).sum()),
        ambiguous=int((fates == AMBIGUOUS).sum()),
        double=int(double.sum()),
        off=int(off.sum()),
        mean_us=float(main.mean()) if len(main) else None,
        sd_us=float(main.std(ddof=1)) if enough else None,
        median_us=float(np.median(main)) if len(main) else None,
        least_us=float(every.min()) if len(every) else None,
        most_us=float(every.max()) if len(every) else None,
    )


def _notes(log: LogData) -> list[str]:
    notes = []
    if log.notices_lost:
        notes.append(
            f"{some(log.notices_lost, 'message')} of the box did not arrive, and edges of a probe "
            "may be among them: a marker without an onset may have had one."
        )
    if log.probe_edges_lost:
        notes.append(
            f"{some(log.probe_edges_lost, 'edge')} of probes had no room in the box: onsets may be "
            "missing there. A flickering light makes too many."
        )
    if log.bad_lines:
        notes.append("Lines of the log can't be read, and edges of a probe may be among them: a "
                     "marker without an onset may have had one.")
    if log.holes and not log.ended:
        notes.append("The log was not closed: a marker near its end may have an onset that is not "
                     "in it.")
    return notes
