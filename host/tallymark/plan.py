"""The plan of a session: named events, their codes and widths, and what the receiver needs.

A plan is a TOML file:

    name = "Ferry"

    [receiver]
    sampling_rate = 1000        # Hz
    least_width_us = 2000       # shortest pulse that the receiver promises to see
    lines = [0, 1, 2, 3, 4]     # lines that reach the receiver
    active = "high"             # level of an active line at the receiver: "high" or "low"
    reserved = [31]             # codes that other equipment uses

    [session]
    least_interval_us = 200000  # shortest time from one marker to the next
    gap_us = 0                  # idle time that the box keeps between two markers
    width_us = 5000             # width of events that name none
    distance = 2                # lines in which two codes should differ at least

    [[event]]
    name = "boat appears"
    code = 3
    count = 120                 # how often it should come, if that is known
    about = "a boat enters the screen"

`load` reads it, `check` says in words what would go wrong, and `Plan.event` gives code and width
by name.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

from tallymark.codes import distance, propose
from tallymark.errors import BadValue


class PlanError(BadValue):
    """A plan can't be read, or has no event of that name; the message says where and what to do."""


class Sender(Protocol):
    """What sends a pulse: `tallymark.Box`."""

    def pulse(self, code: int, width_us: int | None = None, *, name: str | None = None) -> Any:
        """See `tallymark.Box.pulse`."""


@dataclass(frozen=True)
class Event:
    """One named event. width_us in microseconds; count is None where it isn't known."""

    name: str
    code: int
    width_us: int
    count: int | None = None
    about: str = ""


@dataclass(frozen=True)
class Receiver:
    """What the acquisition system needs. sampling_rate in Hz, lines as a mask 1..255."""

    sampling_rate: float | None = None
    least_width_us: float = 0.0
    lines: int = 0xFF
    active: Literal["high", "low"] = "high"
    reserved: tuple[int, ...] = ()
    name: str = ""

    @property
    def sample_us(self) -> float | None:
        """Time from one sample to the next in microseconds, if the sampling rate is known."""
        return None if self.sampling_rate is None else 1e6 / self.sampling_rate


@dataclass(frozen=True)
class Session:
    """The session's shape; times in microseconds, distance in lines."""

    least_interval_us: float | None = None
    gap_us: float = 0.0
    width_us: int | None = None
    distance: int = 1


@dataclass(frozen=True)
class Plan:
    """A plan as read. Events keep the order of the file."""

    name: str
    receiver: Receiver = field(default_factory=Receiver)
    session: Session = field(default_factory=Session)
    events: tuple[Event, ...] = ()

    def event(self, name: str) -> Event:
        """The event called `name`. Raises PlanError, naming those that exist, if there is none."""
        for event in self.events:
            if event.name == name:
                return event
        known = ", ".join(repr(event.name) for event in self.events) or "none"
        raise PlanError(f"The plan has no event {name!r}. Its events: {known}.")

    def pulse(self, box: Sender, name: str) -> Any:
        """Send the event called `name` through a `tallymark.Box`; returns the box's marker.

        Raises PlanError if the plan has no such event, and whatever `Box.pulse` raises."""
        event = self.event(name)
        return box.pulse(event.code, event.width_us, name=event.name)

    def name_of(self, code: int) -> str | None:
        """Name of the first event with this code, or None."""
        return next((event.name for event in self.events if event.code == code), None)

    @property
    def digest(self) -> str:
        """SHA-256 of what the plan says (not of its comments or layout), in hexadecimal."""
        text = json.dumps(asdict(self), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()


# --------------------------------------------------------------------------------- reading

_RECEIVER = {"sampling_rate", "least_width_us", "lines", "active", "reserved", "name"}
_SESSION = {"least_interval_us", "gap_us", "width_us", "distance"}
_EVENT = {"name", "code", "width_us", "count", "about"}


def load(path: str | Path) -> Plan:
    """Read a plan file. Raises PlanError with the place and the remedy if it can't be read."""
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PlanError(f"{path}: can't be opened ({error.strerror}). Check the name.") from error
    except UnicodeDecodeError as error:
        raise PlanError(f"{path}: is not text in UTF-8. Save the plan as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{path}: is not valid TOML: {error}. Correct that line.") from error
    return from_mapping(data, where=str(path))


def from_mapping(data: Mapping[str, Any], where: str = "plan") -> Plan:
    """Build a plan from TOML data. Unknown words are errors, because a typing slip would otherwise
    switch a check off unseen. Raises PlanError."""
    _known(data, {"name", "receiver", "session", "event"}, f"{where}: ")
    reader = _Reader(where)
    receiver_data = reader.table(data, "receiver", _RECEIVER)
    session_data = reader.table(data, "session", _SESSION)
    place = "[receiver] "
    rate = reader.number(receiver_data, "sampling_rate", place, above=0.0)
    active = receiver_data.get("active", "high")
    if active not in ("high", "low"):
        raise PlanError(f'{where}: {place}active must be "high" or "low", not {active!r}.')
    receiver = Receiver(
        sampling_rate=rate,
        least_width_us=reader.number(receiver_data, "least_width_us", place, default=0.0),
        lines=_lines(receiver_data.get("lines"), f"{where}: {place}"),
        active=active,
        reserved=tuple(_codes(receiver_data.get("reserved", []), f"{where}: {place}reserved ")),
        name=str(receiver_data.get("name", "")),
    )
    place = "[session] "
    session = Session(
        least_interval_us=reader.number(session_data, "least_interval_us", place, above=0.0),
        gap_us=reader.number(session_data, "gap_us", place, default=0.0),
        width_us=reader.whole(session_data, "width_us", place, least=1),
        distance=reader.whole(session_data, "distance", place, least=1, default=1),
    )
    rows = data.get("event", [])
    if not isinstance(rows, list):
        raise PlanError(f"{where}: write each event under its own [[event]] line.")
    events = tuple(_event(row, number, session, reader) for number, row in enumerate(rows, 1))
    return Plan(str(data.get("name", "")), receiver, session, events)


def _event(row: Any, number: int, session: Session, reader: _Reader) -> Event:
    place = f"[[event]] number {number} "
    if not isinstance(row, dict):
        raise PlanError(f"{reader.where}: {place}must be a table with name and code.")
    _known(row, _EVENT, f"{reader.where}: {place}")
    name = row.get("name")
    if not isinstance(name, str) or not name.strip():
        raise PlanError(f"{reader.where}: {place}needs a name.")
    place = f"event {name!r}: "
    code = reader.whole(row, "code", place, least=0)
    if code is None:
        raise PlanError(f"{reader.where}: {place}needs a code.")
    width = reader.whole(row, "width_us", place, least=1, default=session.width_us)
    if width is None:
        raise PlanError(
            f"{reader.where}: {place}has no width. Give width_us here, or once under [session]."
        )
    count = reader.whole(row, "count", place, least=0)
    return Event(name, code, width, count, str(row.get("about", "")))


class _Reader:
    """Takes typed values out of TOML tables and names the place when one is wrong."""

    def __init__(self, where: str) -> None:
        self.where = where

    def table(self, data: Mapping[str, Any], name: str, known: set[str]) -> dict[str, Any]:
        table = data.get(name, {})
        if not isinstance(table, dict):
            raise PlanError(f"{self.where}: [{name}] must be a table.")
        _known(table, known, f"{self.where}: [{name}] ")
        return table

    def number(
        self,
        table: Mapping[str, Any],
        key: str,
        place: str,
        above: float | None = None,
        default: Any = None,
    ) -> Any:
        value = table.get(key, default)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise PlanError(f"{self.where}: {place}{key} must be a number, not {value!r}.")
        if not (value > above if above is not None else value >= 0) or value == float("inf"):
            limit = "above 0" if above is not None else "0 or more"
            raise PlanError(f"{self.where}: {place}{key} must be {limit}, not {value!r}.")
        return float(value)

    def whole(
        self, table: Mapping[str, Any], key: str, place: str, least: int, default: Any = None
    ) -> Any:
        value = table.get(key, default)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise PlanError(
                f"{self.where}: {place}{key} must be a whole number, {least} or more, "
                f"not {value!r}."
            )
        return value


def _known(table: Mapping[str, Any], known: set[str], where: str) -> None:
    for key in table:
        if key not in known:
            raise PlanError(f"{where}{key!r} is not known here. Known: {', '.join(sorted(known))}.")


def _lines(value: Any, where: str) -> int:
    if value is None:
        return 0xFF
    if not isinstance(value, list) or not value:
        raise PlanError(f"{where}lines must be a list of line numbers, such as [0, 1, 2].")
    mask = 0
    for line in value:
        if isinstance(line, bool) or not isinstance(line, int) or not 0 <= line <= 7:
            raise PlanError(f"{where}lines are numbered 0 to 7, not {line!r}.")
        mask |= 1 << line
    return mask


def _codes(value: Any, where: str) -> list[int]:
    if not isinstance(value, list):
        raise PlanError(f"{where}must be a list of codes.")
    for code in value:
        if isinstance(code, bool) or not isinstance(code, int) or not 0 <= code <= 255:
            raise PlanError(f"{where}codes are 0 to 255, not {code!r}.")
    return value


# -------------------------------------------------------------------------------- checking


@dataclass(frozen=True)
class Finding:
    """One thing that the check found.

    level: 'wrong' (markers would be lost or misread), 'risk' (one fault away from that) or 'note'.
    rule: short fixed name for scripts. text: what would happen. remedy: what to do.
    """

    level: Literal["wrong", "risk", "note"]
    rule: str
    text: str
    remedy: str


def check(plan: Plan) -> list[Finding]:
    """Everything that would go wrong with this plan, worst first."""
    findings: list[Finding] = []
    if not plan.events:
        findings.append(
            Finding("wrong", "no events", "The plan names no event.", "Add an [[event]].")
        )
    findings += _check_names(plan)
    findings += _check_codes(plan)
    findings += _check_widths(plan)
    findings += _check_distances(plan)
    order = {"wrong": 0, "risk": 1, "note": 2}
    return sorted(findings, key=lambda finding: order[finding.level])


def _check_names(plan: Plan) -> list[Finding]:
    findings: list[Finding] = []
    seen_names: set[str] = set()
    seen_codes: dict[int, str] = {}
    for event in plan.events:
        if event.name in seen_names:
            text = f"The name {event.name!r} is used twice; only the first can be sent by name."
            findings.append(Finding("wrong", "name twice", text, "Give each event its own name."))
        elif event.code in seen_codes:
            text = (
                f"Code {event.code} stands for {seen_codes[event.code]!r} and for {event.name!r}; "
                "the recording can't tell them apart."
            )
            findings.append(Finding("wrong", "code twice", text, "Give each event its own code."))
        seen_names.add(event.name)
        seen_codes.setdefault(event.code, event.name)
    return findings


def _check_codes(plan: Plan) -> list[Finding]:
    findings: list[Finding] = []
    lines = plan.receiver.lines
    for event in plan.events:
        label = f"Event {event.name!r}"
        if event.code == 0:
            text = f"{label} has code 0, which moves no line: nothing would be recorded."
            findings.append(Finding("wrong", "code 0", text, "Use a code from 1 to 255."))
        elif event.code > 255:
            text = f"{label} has code {event.code}, but eight lines carry at most 255."
            findings.append(Finding("wrong", "outside lines", text, "Use a code from 1 to 255."))
        elif event.code & ~lines:
            missing = [line for line in range(8) if event.code & ~lines & (1 << line)]
            seen = event.code & lines
            becomes = f"it would be recorded as {seen}" if seen else "nothing would be recorded"
            text = (
                f"{label} (code {event.code}) needs {_list_lines(missing)}, which the receiver "
                f"doesn't have; {becomes}."
            )
            findings.append(
                Finding("wrong", "outside lines", text, f"Use codes within mask {lines}.")
            )
        if event.code in plan.receiver.reserved:
            text = f"{label} has code {event.code}, which is reserved for other equipment."
            findings.append(Finding("wrong", "reserved", text, "Use another code."))
    return findings


def _check_widths(plan: Plan) -> list[Finding]:
    findings: list[Finding] = []
    sample = plan.receiver.sample_us
    if sample is None:
        text = "The plan gives no sampling rate, so widths can't be judged against samples."
        findings.append(
            Finding("note", "no sampling rate", text, "Add sampling_rate under [receiver].")
        )
    longest = max((event.width_us for event in plan.events), default=0)
    for event in plan.events:
        label = f"Event {event.name!r}: its width of {_us(event.width_us)}"
        least = plan.receiver.least_width_us
        if event.width_us < least:
            text = f"{label} is below the {_us(least)} that the receiver needs; it may be missed."
            findings.append(
                Finding("wrong", "width too short", text, f"Use at least {_us(least)}.")
            )
        elif sample is not None and event.width_us < 2 * sample:
            samples = event.width_us / sample
            fate = (
                "it falls between two samples at times and is missed"
                if samples < 1
                else "it is seen in one sample only at times, like a disturbance"
            )
            text = f"{label} is {samples:.2f} samples long; {fate}."
            findings.append(
                Finding("wrong", "width too short", text, f"Use at least {_us(2 * sample)}.")
            )
    interval, gap = plan.session.least_interval_us, plan.session.gap_us
    if interval is not None and plan.events:
        idle = interval - longest
        if interval < longest + gap:
            text = (
                f"Markers may follow each other after {_us(interval)}, but the longest width and "
                f"the gap take {_us(longest + gap)}: markers would be cut short or delayed."
            )
            remedy = f"Shorten the widths to {_us(max(interval - gap, 0))} or less."
            findings.append(Finding("wrong", "interval too short", text, remedy))
        elif sample is not None and idle < 2 * sample:
            text = (
                f"Between two markers the lines may be idle for {_us(idle)} only, less than two "
                "samples: the receiver may not see that they were two."
            )
            remedy = f"Shorten the widths to {_us(max(interval - 2 * sample, 0))} or less."
            findings.append(Finding("risk", "idle too short", text, remedy))
    return findings


def _check_distances(plan: Plan) -> list[Finding]:
    events = [event for event in plan.events if 0 < event.code <= 255]
    wanted = max(plan.session.distance, 1)
    findings: list[Finding] = []
    close = [
        (a, b)
        for position, a in enumerate(events)
        for b in events[position + 1 :]
        if a.code != b.code and distance(a.code, b.code) < max(wanted, 2)
    ]
    if close:
        one_line = [(a, b) for a, b in close if distance(a.code, b.code) == 1]
        for a, b in (one_line or close)[:5]:
            lines = _list_lines([n for n in range(8) if (a.code ^ b.code) >> n & 1])
            text = (
                f"{a.name!r} (code {a.code}) and {b.name!r} (code {b.code}) differ in {lines} "
                "only; if "
                + ("that line is" if distance(a.code, b.code) == 1 else "those lines are")
                + " stuck or open, one is recorded as the other."
            )
            level: Literal["wrong", "risk"] = (
                "wrong" if distance(a.code, b.code) < wanted else "risk"
            )
            findings.append(Finding(level, "codes too close", text, _better_codes(plan, wanted)))
        more = len(one_line or close) - 5
        if more > 0:
            text = f"{more} more pairs of codes are as close as these."
            findings.append(Finding("risk", "codes too close", text, _better_codes(plan, wanted)))
    lone = [event for event in events if event.code.bit_count() == 1]
    if lone:
        names = ", ".join(f"{event.name!r} (code {event.code})" for event in lone[:8])
        text = f"Carried by one line alone, so that one open line makes them vanish: {names}."
        findings.append(Finding("note", "one line", text, "Codes with two or more lines survive."))
    return findings


def _better_codes(plan: Plan, wanted: int) -> str:
    least = max(wanted, 2)
    count = len({event.code for event in plan.events})
    found = propose(count, least, plan.receiver.lines, plan.receiver.reserved)
    if found.codes:
        return f"Codes that keep {least} lines apart: {', '.join(map(str, found.codes))}."
    return (
        f"{count} codes that keep {least} lines apart "
        + ("don't exist" if found.proven else "were not found")
        + " on these lines; use more lines or fewer codes, and check each recording."
    )


def _list_lines(lines: list[int]) -> str:
    if len(lines) == 1:
        return f"line {lines[0]}"
    return "lines " + ", ".join(map(str, lines[:-1])) + f" and {lines[-1]}"


def _us(value: float) -> str:
    return f"{value / 1000:g} ms" if value >= 1000 else f"{value:g} µs"
