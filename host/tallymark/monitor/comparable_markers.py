"""A marker log prepared for a comparison: what came when, how long it lasted, what it is called."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from tallymark.markerlog import LogData, LoggedMarker
from tallymark.markerlog.marker_durations import LineDuration, durations
from tallymark.monitor.event_text import host_us
from tallymark.monitor.findings import MOST_PLACES, Place
from tallymark.monitor.pacing_advice import Origin, Pulse
from tallymark.plan import Event, Plan


@dataclass(frozen=True, slots=True)
class Entry:
    """A marker of the session. number: counted from 1. time_s: seconds since its log began."""

    number: int
    marker: LoggedMarker
    lasted: LineDuration
    time_s: float | None

    @property
    def code(self) -> int:
        """The code that was sent."""
        return self.marker.code

    @property
    def out(self) -> bool:
        """Whether it went out."""
        return self.marker.fate == "done"

    @property
    def arrived_us(self) -> int | None:
        """Box time at which the box got it; None where nobody knows."""
        marker = self.marker
        if marker.box_us is None or marker.why == "cancelled":
            return None
        return marker.box_us - (marker.delay_us or 0)


def _among(place: dict[int, int], lasted: LineDuration) -> LineDuration:
    """What ended a marker, by its place among the entries; unknown if that is none of them."""
    if lasted.by is None:
        return lasted
    by = place.get(lasted.by)
    return lasted._replace(by=by, ended="unknown" if by is None else lasted.ended)


class Session:
    """A plan, and the entries of a log that is compared with it. Markers of a test before the
    session are none."""

    def __init__(self, plan: Plan, log: LogData) -> None:
        self.plan = plan
        self.log = log
        self._begins: list[int | None] = []
        for header in log.headers:
            goes_on = header.get("again") and self._begins
            self._begins.append(self._begins[-1] if goes_on else header.get("host"))
        kept = [at for at, marker in enumerate(log.markers) if not marker.test]
        place = {at: number for number, at in enumerate(kept)}
        lasted = durations(log)
        self.entries = [
            Entry(number, log.markers[at], _among(place, lasted[at]),
                  self.time_s(host_us(log.markers[at]), log.markers[at].session))
            for number, at in enumerate(kept, 1)
        ]
        self._events: dict[int, list[Event]] = {}
        for event in plan.events:
            self._events.setdefault(event.code, []).append(event)
        self._sent: dict[int, list[Entry]] = {}
        for entry in self.entries:
            self._sent.setdefault(entry.code, []).append(entry)

    @property
    def settings(self) -> dict[str, Any]:
        """The box's settings when the log began, as far as they were noted."""
        settings: dict[str, Any] = self.log.header.get("settings") or {}
        return settings

    @property
    def needs_us(self) -> float:
        """Shortest pulse that the receiver sees, as far as the plan tells; 0: it doesn't."""
        receiver = self.plan.receiver
        return max(receiver.least_width_us, 2 * (receiver.sample_us or 0.0))

    def pulse(self, entry: Entry) -> Pulse | None:
        """A pulse and who gave it its width, as far as the log tells; None for anything else."""
        marker = entry.marker
        if marker.width_us is None:
            return None
        origin: Origin = "program"
        kept_with_plan = bool(self.log.headers[marker.session].get("plan"))
        if marker.source == "byte":
            origin = "settings"
        elif kept_with_plan and self.known(entry.code) and (
            marker.width_us in self.widths(entry.code)
        ):
            origin = "plan"
        elif marker.width_us == self.settings.get("width_us"):
            origin = "settings"
        return Pulse(self.name(entry.code), marker.width_us, origin)

    def before(self, entry: Entry) -> Entry | None:
        """The last one before it that was a code on the lines."""
        earlier = (self.entries[at] for at in range(entry.number - 2, -1, -1))
        return next((other for other in earlier if other.out and other.code), None)

    def name(self, code: int) -> str:
        """A code for people: 'horn' (code 36)."""
        events = self._events.get(code)
        return f"code {code}" if events is None else f"{events[0].name!r} (code {code})"

    def codes(self) -> list[int]:
        """The codes of the plan, in its order, each once."""
        return list(self._events)

    def known(self, code: int) -> bool:
        """Whether the plan has this code."""
        return code in self._events

    def of(self, code: int) -> list[Entry]:
        """The entries with a code."""
        return self._sent.get(code, [])

    def planned(self, code: int) -> int | None:
        """How often a code should come; None if the plan leaves that open."""
        counts = [event.count for event in self._events[code]]
        known = [count for count in counts if count is not None]
        return sum(known) if len(known) == len(counts) else None

    def widths(self, code: int) -> list[int]:
        """The widths that a code may have by the plan, in microseconds."""
        return sorted({event.width_us for event in self._events[code]})

    def end_s(self, session: int) -> float | None:
        """When a log (of those appended) was closed, in seconds since it began."""
        return self.time_s(self.log.ends[session], session)

    def time_s(self, host_us: int | None, session: int) -> float | None:
        """A host time as seconds since its log began."""
        begin = self._begins[session] if 0 <= session < len(self._begins) else None
        return None if host_us is None or begin is None else (host_us - begin) / 1e6

    def near(self, code: int) -> list[int]:
        """Codes of the plan that differ from this one in one line."""
        return [other for other in self._events if (other ^ code).bit_count() == 1]


def places(entries: Iterable[tuple[Entry, str]]) -> list[Place]:
    """The first places of a finding, each with its note."""
    listed: list[Place] = []
    for entry, note in entries:
        if len(listed) == MOST_PLACES:
            break
        listed.append(Place(entry.number, entry.time_s, entry.code, note))
    return listed
