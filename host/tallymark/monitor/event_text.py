"""What to say of each byte that comes in, and how many there were of which kind."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal, NamedTuple

from tallymark.box.settings import Settings
from tallymark.common.formatting import differing_lines, listed, ms, some
from tallymark.markerlog import LoggedMarker
from tallymark.monitor.pacing_advice import Origin, Pulse, pacing_advice
from tallymark.monitor.unflushed_output_detector import BurstDetector
from tallymark.plan import Plan

TOO_SOON = ("overlap", "waiting", "cancelled")
"""Refusals of markers that came too soon after others."""
_REFUSED = {
    "no marker": "byte 0: not needed",
    "overlap": "refused: a pulse was out",
    "waiting": "refused: another marker was waiting for the gap",
    "cancelled": "cancelled by a 0 while it waited for the gap",
    "outside lines": "refused: needs lines that are not in use",
    "bytes off": "refused: the byte input is off",
    "playing": "refused: a sequence plays",
}

LATE_US = 2_000
"""By so much a byte may be late and is not counted: a computer with nothing else to do takes that
long now and then. The log has the time in any case, which is a bound."""

Severity = Literal["plain", "dim", "bad"]


class Remark(NamedTuple):
    """Something to say of a byte."""

    text: str
    severity: Severity = "bad"


@dataclass
class EventCounts:
    """How many bytes came, and what became of them.

    too_soon: cut a pulse, waited for the gap, or were refused for that. to_idle: of lines that
    somebody else drives, returns to idle, which are no codes.
    """

    bytes: int = 0
    went_out: int = 0
    refused: int = 0
    unconfirmed: int = 0
    too_soon: int = 0
    not_in_plan: int = 0
    not_needed: int = 0
    late: int = 0
    not_ended: int = 0
    to_idle: int = 0

    def differences(self, earlier: EventCounts) -> EventCounts:
        """What was counted since an earlier copy of this."""
        names = [each.name for each in fields(EventCounts)]
        return EventCounts(*(getattr(self, name) - getattr(earlier, name) for name in names))

    def words(self, unit: str = "byte") -> list[tuple[str, Severity]]:
        """The counts in words; those that are nothing to worry about come first."""
        count = self.bytes - self.to_idle
        words: list[tuple[str, Severity]] = [(some(count, unit), "plain")]
        if self.not_needed:
            words.append((f"{self.not_needed:,} not needed", "dim"))
        bad = (
            (self.too_soon, "too soon"),
            (self.refused, "refused"),
            (self.not_in_plan, "not in the plan"),
            (self.not_ended, "not ended by a 0"),
            (self.unconfirmed, "unconfirmed"),
            (self.late, "late"),
        )
        return words + [(f"{count:,} {text}", "bad") for count, text in bad if count]


class ByteEvent(NamedTuple):
    """A byte, with what came just before it.

    since_us: time since the byte before; None for the first. before: the marker whose code was on
    the lines until then, as far as this byte tells.
    """

    marker: LoggedMarker
    since_us: int | None
    before: LoggedMarker | None


class EventMessages:
    """Follows the bytes of one program, in order.

    origin: who gives pulses their width; 'plan' for the events of the plan alone.
    """

    def __init__(
        self, plan: Plan | None, settings: Settings, origin: Origin = "settings"
    ) -> None:
        self.tally = EventCounts()
        self._origin = origin
        self._advised: set[tuple[object, ...] | None] = set()
        self._burst_detector = BurstDetector()
        self._hinted: set[bool] = set()
        self.unit = "byte"
        self.settings = settings
        self._names: dict[int, str] | None = None
        self._signature_code = None if plan is None else plan.signature_code
        if plan is not None:
            self._names = {event.code: event.name for event in reversed(plan.events)}
        self._last: LoggedMarker | None = None
        self._out: LoggedMarker | None = None

    def follow(self, marker: LoggedMarker) -> ByteEvent:
        """Counts the next byte. What it costs matters: bytes may come by the thousand."""
        tally = self.tally
        tally.bytes += 1
        event = ByteEvent(marker, interval_us(self._last, marker), self._out)
        self._last = marker
        if marker.source == "lines":
            self.unit = "code"
            tally.to_idle += not marker.code
        code = marker.code
        if marker.fate == "done":
            tally.went_out += 1
            if (code and marker.cut_us is not None) or marker.delay_us:
                tally.too_soon += 1
            if code and self._stayed(event):
                tally.not_ended += 1
            self._out = marker if code else None
        elif marker.fate == "unconfirmed":
            tally.unconfirmed += 1
            self._out = None
        elif marker.why == "no marker":
            tally.not_needed += 1
        else:
            tally.refused += 1
            if marker.why in TOO_SOON:
                tally.too_soon += 1
        if (marker.late_us or 0) > LATE_US:
            tally.late += 1
        if code and self._names is not None and code not in self._names:
            tally.not_in_plan += 1
        return event

    @property
    def has_plan(self) -> bool:
        """Whether names come from a plan."""
        return self._names is not None

    def idle(self) -> None:
        """The lines are at idle, by none of the bytes."""
        self._out = None

    @property
    def held(self) -> str:
        """The code that is on the lines until something ends it, for people; empty if none is."""
        out = self._out
        return "" if out is None or not out.stays else self._event(out)

    @property
    def held_marker(self) -> LoggedMarker | None:
        """The marker whose code is on the lines until something ends it; None if none is."""
        out = self._out
        return out if out is not None and out.stays else None

    def name(self, marker: LoggedMarker) -> str:
        """The name of a byte for people; empty if it has none."""
        named = marker.name or (self._names or {}).get(marker.code)
        return named or ("(idle)" if not marker.code and marker.fate == "done" else "")

    def advice(self, event: ByteEvent) -> str | None:
        """What to say of a byte that came too soon; None if that was said before."""
        if not is_too_soon(event.marker):
            return None
        pulse = self._pulse(event.before)
        kind = pulse and pulse[1:]
        if kind in self._advised:
            return None
        self._advised.add(kind)
        pulses = [] if pulse is None else [pulse]
        return f"The program sends too fast. {pacing_advice(pulses, self.settings.gap_us)}"

    def hint(self, event: ByteEvent | None = None) -> str:
        """What to say of bytes that came at once, now that another one came or, without one, as
        nothing followed; empty if there is nothing to say that was not said before."""
        if event is None:
            burst = self._burst_detector.end()
        elif event.marker.source == "lines":
            return ""
        else:
            burst = self._burst_detector.add(event.marker.code, event.since_us)
        names = self._names or {}
        if burst is None or not burst.description(names):
            return ""
        is_text = burst.text(names) is not None
        if is_text in self._hinted:
            return ""
        self._hinted.add(is_text)
        return f"{burst.description(names)} {burst.advice(names)}"

    def _pulse(self, marker: LoggedMarker | None) -> Pulse | None:
        if marker is None or marker.width_us is None:
            return None
        name, origin = self._event(marker), self._origin
        if origin == "plan" and marker.code not in (self._names or {}):
            origin = "settings"
        return Pulse(name, marker.width_us, origin)

    def _event(self, marker: LoggedMarker) -> str:
        name = self.name(marker)
        return f"{name!r} (code {marker.code})" if name else f"code {marker.code}"

    def remarks(self, event: ByteEvent) -> list[Remark]:
        """What is to be said of a byte."""
        marker, before = event.marker, event.before
        remarks = []
        if marker.fate == "refused":
            text = _REFUSED.get(marker.why, f"refused: {marker.why}")
            remarks.append(Remark(text, "dim" if marker.why == "no marker" else "bad"))
        elif marker.fate == "unconfirmed":
            remarks.append(Remark(f"unconfirmed: {marker.why or 'no answer received'}"))
        if marker.cut_us is not None:
            remarks.append(self._cut(marker, marker.cut_us, before))
        if marker.delay_us:
            remarks.append(Remark(f"waited {ms(marker.delay_us)} for the gap"))
        stayed = bool(marker.code) and marker.fate == "done" and self._stayed(event)
        if stayed:
            remarks.append(Remark("previous code not ended: no 0 in between"))
        was_out = stayed or (marker.cut_us is not None and not marker.delay_us)
        if marker.no_edge or (was_out and before is not None and before.code == marker.code):
            remarks.append(Remark("no edge: same code as before, no line moved"))
        if marker.late_us:
            severity: Severity = "bad" if marker.late_us > LATE_US else "dim"
            remarks.append(Remark(f"late: up to {ms(marker.late_us)}", severity))
        if marker.code and self._names is not None and marker.code not in self._names:
            remarks.append(Remark(self._stranger(marker.code, self._names)))
        return remarks

    def _cut(self, marker: LoggedMarker, cut_us: int, before: LoggedMarker | None) -> Remark:
        if not marker.code:
            return Remark(f"ended previous code after {ms(cut_us)}", "dim")
        width = self.settings.width_us
        if before is not None and before.width_us is not None:
            width = before.width_us
        soon = ms(max(width - cut_us, 1))
        return Remark(f"cut previous pulse after {ms(cut_us)}: sent {soon} too soon")

    @staticmethod
    def _stayed(event: ByteEvent) -> bool:
        before = event.before
        return before is not None and bool(before.stays) and not event.marker.delay_us

    def _stranger(self, code: int, names: dict[int, str]) -> str:
        if code == self._signature_code:
            return "not an event: the plan keeps this code for whole session signatures"
        near = [other for other in names if (other ^ code).bit_count() == 1]
        if chr(code).isdecimal() and code - ord("0") in names:
            return f"not in the plan (the text {chr(code)!r}? Send the byte {code - ord('0')})"
        if not near:
            return "not in the plan"
        like = [f"{names[c]!r} except line {differing_lines(c, code)[0]}" for c in near[:2]]
        return f"not in the plan (like {listed(like, 'or')})"


def is_too_soon(marker: LoggedMarker) -> bool:
    """Whether a byte came sooner than width and gap allow."""
    if marker.fate == "refused":
        return marker.why in TOO_SOON
    return bool((marker.code and marker.cut_us is not None) or marker.delay_us)


def interval_us(last: LoggedMarker | None, marker: LoggedMarker) -> int | None:
    """Time from one marker to the next, by box time if it can be; None if it isn't known."""
    if last is None:
        return None
    if last.box_us is not None and marker.box_us is not None and marker.box_us >= last.box_us:
        return marker.box_us - last.box_us
    then, now = host_us(last), host_us(marker)
    return None if then is None or now is None else max(now - then, 0)


def host_us(marker: LoggedMarker) -> int | None:
    """The host's time of a marker, as near as it is known."""
    return marker.host_us if marker.host_us is not None else marker.sent_host_us
