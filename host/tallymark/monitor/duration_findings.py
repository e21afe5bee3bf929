"""How long codes were on the lines, and whether the lines came back to idle between them."""

from __future__ import annotations

from collections.abc import Iterable

from tallymark.common.formatting import duration, listed, some, time_value, times
from tallymark.markerlog.reader import IDLE_AT_END, IDLE_AT_HANG_UP
from tallymark.monitor.comparable_markers import Entry, Session, places
from tallymark.monitor.findings import LogFinding

_BY_BRIDGE = {
    IDLE_AT_END: "the bridge stopped and took the lines to idle",
    IDLE_AT_HANG_UP: "its program closed the port and the bridge took the lines to idle",
}


def _end_them(session: Session) -> str:
    if session.entries[-1].marker.source == "lines":
        return "Let the program return the lines to idle after each code."
    return (
        "Let the program send 0 after each code, or let the box end each: tallymark settings "
        "change byte_mode=limited"
    )


def duration_findings(session: Session) -> list[LogFinding]:
    """Everything about widths and idle lines that is wrong."""
    return [*_widths(session), *_never_idle(session), *_still_out(session), *_held(session)]


def tolerance_us(session: Session) -> float:
    """By how much a width that a program times itself may be off the plan's: 1.5 samples, as in the
    check of a recording; 1 ms where the plan names no sampling rate."""
    sample = session.plan.receiver.sample_us
    return 1000.0 if sample is None else 1.5 * sample


def _widths(session: Session) -> list[LogFinding]:
    findings = []
    for code in filter(None, session.codes()):
        off = [entry for entry in session.of(code) if _is_off(session, entry)]
        for by_bridge, name in _BY_BRIDGE.items():
            if ended := [entry for entry in off if _ended_by(session, entry) == by_bridge]:
                findings.append(_left(session, code, ended, name))
        if off := [entry for entry in off if _ended_by(session, entry) is None]:
            findings.append(_width(session, code, off))
    return findings


def _is_off(session: Session, entry: Entry) -> bool:
    us, ended = entry.lasted.us, entry.lasted.ended
    if us is None or ended not in ("width", "zero"):
        return False
    slack = 0.0 if ended == "width" else tolerance_us(session)
    return min(abs(us - width) for width in session.widths(entry.code)) > slack


def _ended_by(session: Session, entry: Entry) -> str | None:
    """The name of the bridge's own marker that ended a code; None if something else did."""
    if entry.lasted.ended != "zero" or entry.lasted.by is None:
        return None
    name = session.entries[entry.lasted.by].marker.name
    return name if name in _BY_BRIDGE else None


def _left(session: Session, code: int, ended: list[Entry], until: str) -> LogFinding:
    """A code that no program ended."""
    longest = duration(max(entry.lasted.us or 0 for entry in ended))
    how_long = longest if len(ended) == 1 else f"up to {longest}, {times(len(ended))}"
    text = f"{session.name(code)} was on the lines for {how_long}, until {until}."
    meaning = "The program sent no 0; the end of the code in the recording is the bridge's."
    if not ended[0].marker.stays:
        meaning = "It was a pulse that should have lasted longer."
    remedy = _end_them(session) if ended[0].marker.stays else "Stop the bridge after the last code."
    noted = ((entry, f"lasted {duration(entry.lasted.us or 0)}") for entry in ended)
    return LogFinding("left", text, meaning, remedy, len(ended), places(noted))


def _width(session: Session, code: int, off: list[Entry]) -> LogFinding:
    went_out = sum(entry.out for entry in session.of(code))
    planned = listed([duration(width) for width in session.widths(code)], "or")
    found = [entry.lasted.us or 0 for entry in off]
    shortest, longest = duration(min(found)), duration(max(found))
    span = shortest if shortest == longest else f"{shortest} to {longest}"
    which = f", {len(off):,} of {went_out:,} times" if went_out > 1 else ""
    text = f"{session.name(code)} lasted {span} instead of {planned} as planned{which}."
    needs = session.needs_us
    short = sum(us < needs for us in found)
    meaning = "A check of the widths in the recording will not fit the plan."
    if short:
        meaning = (
            f"The receiver needs {duration(needs)}: {short:,} of them may be missing in the "
            "recording."
        )
    by_box = all(entry.lasted.ended == "width" for entry in off)
    if by_box and off[0].marker.source == "byte":
        remedy = (
            "The box gives every byte the same width. 'tallymark bridge' with this plan gives each "
            "event its own."
        )
        if len({event.width_us for event in session.plan.events}) == 1:
            remedy = (
                "Give every byte this width: tallymark settings change "
                f"width_us={time_value(session.widths(code)[0])}, or correct the plan."
            )
    elif by_box:
        remedy = "Let the program send this event with the plan's width, or correct the plan."
    elif off[0].marker.source == "lines":
        remedy = "The program that drives these lines ends the code: correct it, or the plan."
    else:
        remedy = "The program itself times this with its 0: correct the program or the plan."
    noted = ((entry, f"lasted {duration(entry.lasted.us or 0)}") for entry in off)
    return LogFinding("width", text, meaning, remedy, len(off), places(noted))


def _never_idle(session: Session) -> list[LogFinding]:
    """Codes that stayed until the next one. Where a gap is set, the box puts idle time between."""
    found = [
        (entry, session.entries[entry.lasted.by or 0])
        for entry in session.entries
        if entry.lasted.ended == "next" and entry.marker.stays
    ]
    found = [(entry, after) for entry, after in found if not after.marker.delay_us]
    if not found:
        return []
    known = [entry.lasted.us for entry, _ in found if entry.lasted.us is not None]
    span = f", after up to {duration(max(known))}" if known else ""
    count = f"{some(len(found), 'code')} {'was' if len(found) == 1 else 'were'}"
    text = f"{count} replaced by the next with no 0 in between{span}."
    meaning = (
        "The lines did not return to idle between the two: a receiver that looks for a change from "
        "idle misses the second."
    )
    same = sum(entry.code == after.code for entry, after in found)
    if same:
        meaning += (
            f" {times(same).capitalize()} it was the same code: then no line moved, and nothing is "
            "in the recording."
        )
    noted = ((entry, f"replaced by {after.code}{_after(entry)}") for entry, after in found)
    return [
        LogFinding(
            "never idle",
            text,
            meaning,
            _end_them(session),
            len(found),
            places(noted),
        )
    ]


def _still_out(session: Session) -> list[LogFinding]:
    found = [
        entry for entry in session.entries if entry.lasted.ended == "open" and entry.marker.stays
    ]
    findings = []
    for entry in found:
        end = session.end_s(entry.marker.session)
        long = "" if end is None or entry.time_s is None else duration((end - entry.time_s) * 1e6)
        text = f"{session.name(entry.code)} was still on the lines when the log ended" + (
            f", {long} after it came." if long else "."
        )
        findings.append(
            LogFinding(
                "still out",
                text,
                "The next session begins with this code on the lines; its first marker may not be "
                "seen as one.",
                f"Take the lines to idle now ('tallymark idle'). {_end_them(session)}",
                1,
                places([(entry, f"still out after {long}" if long else "still out")]),
            )
        )
    return findings


def _held(session: Session) -> list[LogFinding]:
    found = [entry for entry in session.entries if entry.lasted.ended == "hold"]
    if not found:
        return []
    limit = session.settings.get("hold_limit_us")
    after = f" of {duration(limit)}" if limit else ""
    text = f"The box took a code to idle {times(len(found))}, after its hold limit{after}."
    noted = ((entry, f"ended by the box{_after(entry)}") for entry in found)
    return [
        LogFinding(
            "hold limit",
            text,
            "The program left it on the lines; its end in the recording is the hold limit.",
            _end_them(session),
            len(found),
            places(noted),
        )
    ]


def idle_findings(session: Session) -> list[LogFinding]:
    """Remarks on code 0 where it did nothing."""
    ended = {entry.lasted.by for entry in session.entries if entry.lasted.ended == "zero"}
    ignored = [entry for entry in session.entries if entry.marker.why == "no marker"]
    # Who cancelled a waiting marker did something too, but that is reported as cancelled.
    idle = [
        entry
        for entry in session.entries
        if entry.out and not entry.code and entry.number - 1 not in ended
    ]
    findings = []
    if ignored:
        text = (
            f"The program sent code 0 {times(len(ignored))}, which is not needed: the box ends "
            "each pulse by itself."
        )
        findings.append(
            LogFinding(
                "zeros",
                text,
                "They are harmless: byte 0 does nothing with byte_mode pulse.",
                "If the program is to end its codes itself: tallymark settings change "
                "byte_mode=limited",
                len(ignored),
                places(_noted(ignored, "not needed")),
            )
        )
    if idle:
        text = f"Code 0 came {times(len(idle))} while the lines were at idle."
        findings.append(
            LogFinding(
                "zeros",
                text,
                "It did nothing. After a pulse it means that the box ended it before the program "
                "did, by its width.",
                "",
                len(idle),
                places(_noted(idle, "lines were at idle")),
            )
        )
    return findings


def _noted(entries: list[Entry], note: str) -> Iterable[tuple[Entry, str]]:
    return ((entry, note) for entry in entries)


def _after(entry: Entry) -> str:
    return "" if entry.lasted.us is None else f" after {duration(entry.lasted.us)}"
