"""Markers that came too close together: cut, delayed, refused, or closer than the plan allows."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from itertools import pairwise

from tallymark.common.formatting import duration, listed, some, times
from tallymark.monitor.comparable_markers import Entry, Session, places
from tallymark.monitor.event_text import TOO_SOON
from tallymark.monitor.findings import LogFinding
from tallymark.monitor.pacing_advice import pacing_advice
from tallymark.monitor.text_and_unflushed_findings import Groups

SLACK = 0.01
"""By so much of it an interval may fall short of the plan's: timers of programs and clocks of
boards are no better."""


def interval_findings(session: Session, groups: Groups) -> list[LogFinding]:
    """Everything that came too soon, but for what came at once."""
    return [*_cut(session, groups), *_delayed(session), *_refused(session), *_intervals(session)]


def _wait(session: Session, pulses: Iterable[Entry | None]) -> str:
    """What to do about markers that came too soon after these."""
    known = [session.pulse(entry) for entry in pulses if entry is not None]
    return pacing_advice([pulse for pulse in known if pulse], session.settings.get("gap_us") or 0)


def _cut(session: Session, groups: Groups) -> list[LogFinding]:
    def at_once(entry: Entry) -> bool:
        group = groups.get(entry.number)
        return group is not None and group == groups.get(_by(session, entry).number)

    cut = [entry for entry in session.entries if _is_cut(entry) and not at_once(entry)]
    if not cut:
        return []
    by_code = Counter(entry.code for entry in cut).most_common()
    which = listed([f"{session.name(code)} {times(count)}" for code, count in by_code[:4]])
    if len(by_code) > 4:
        which += f" and {len(by_code) - 4} codes more"
    lengths = [entry.lasted.us or 0 for entry in cut]
    text = (
        f"{_pulses(len(cut))} cut short by the next code, and lasted {_range(lengths)}: {which}."
    )
    needs = session.needs_us
    short = sum(length < needs for length in lengths)
    if short:
        meaning = (
            f"{short:,} of them {'is' if short == 1 else 'are'} shorter than the {duration(needs)} "
            "that the receiver needs, and may be missing in the recording."
        )
    elif needs:
        meaning = f"The receiver needs {duration(needs)}; they should be there, but narrower."
    else:
        meaning = "They may be missing in the recording: the plan doesn't say what it needs."
    same = sum(_by(session, entry).code == entry.code for entry in cut if not _gap(session, entry))
    if same:
        meaning += (
            f" {times(same).capitalize()} the next was the same code: then no line moved, and both "
            "are one event in the recording."
        )
    noted = (
        (entry, f"cut by {_by(session, entry).code} after {duration(entry.lasted.us or 0)}")
        for entry in cut
    )
    return [LogFinding("cut", text, meaning, _wait(session, cut), len(cut), places(noted))]


def _is_cut(entry: Entry) -> bool:
    return entry.lasted.ended == "next" and entry.marker.stays is not True


def _by(session: Session, entry: Entry) -> Entry:
    return session.entries[entry.lasted.by or 0]


def _gap(session: Session, entry: Entry) -> bool:
    return bool(_by(session, entry).marker.delay_us)


def _delayed(session: Session) -> list[LogFinding]:
    late = [entry for entry in session.entries if entry.out and entry.marker.delay_us]
    if not late:
        return []
    delays = [entry.marker.delay_us or 0 for entry in late]
    text = (
        f"{some(len(late), 'marker')} waited for the box's gap, by {_range(delays)}, because the "
        "previous one was too close."
    )
    meaning = "They are that much later in the recording than the event that they mark."
    noted = ((entry, f"waited {duration(entry.marker.delay_us or 0)}") for entry in late)
    remedy = _wait(session, map(session.before, late))
    return [LogFinding("delayed", text, meaning, remedy, len(late), places(noted))]


_REFUSALS = {
    "overlap": "while a pulse was out, and the setting 'overlap' is refuse",
    "waiting": "while another marker was waiting for its gap",
    "outside lines": "with lines that are not in use",
    "bytes off": "while the byte input was off",
    "playing": "while a sequence played",
}
_REMEDIES = {
    "outside lines": "Use other codes, or more lines: tallymark settings change lines=0-7",
    "bytes off": "Switch it on: tallymark settings change byte_mode=pulse",
    "playing": "Don't send while a sequence plays.",
}


def _refused(session: Session) -> list[LogFinding]:
    by_reason: defaultdict[str, list[Entry]] = defaultdict(list)
    for entry in session.entries:
        marker = entry.marker
        if marker.fate == "refused" and marker.why != "no marker":
            by_reason[marker.why].append(entry)
    findings = []
    for why, refused in sorted(by_reason.items()):
        count = len(refused)
        if why == "cancelled":
            text = f"{times(count).capitalize()} a code 0 cancelled a marker that waited for a gap."
        elif why in _REFUSALS:
            text = f"Refused: {some(count, 'marker')} that came {_REFUSALS[why]}."
        else:
            text = f"Refused: {some(count, 'marker')} ({why})."
        remedy = _REMEDIES.get(why, "")
        if why in TOO_SOON:
            remedy = _wait(session, map(session.before, refused))
        meaning = "They are not in the recording."
        noted = ((entry, f"refused: {why}") for entry in refused)
        findings.append(
            LogFinding("refused", text, meaning, remedy, len(refused), places(noted))
        )
    return findings


def _intervals(session: Session) -> list[LogFinding]:
    least = session.plan.session.least_interval_us
    if least is None:
        return []

    def is_reported(before: Entry, entry: Entry) -> bool:
        """Whether another finding says already that the second came too soon."""
        delayed = bool(entry.marker.delay_us) or entry.marker.why in TOO_SOON
        return delayed or (_is_cut(before) and _by(session, before) is entry)

    known = [entry for entry in session.entries if entry.code and entry.arrived_us is not None]
    known.sort(key=lambda entry: (entry.marker.part, entry.arrived_us, entry.number))
    close: list[tuple[Entry, Entry, int]] = []
    for before, entry in pairwise(known):
        if before.marker.part != entry.marker.part:
            continue
        interval = (entry.arrived_us or 0) - (before.arrived_us or 0)
        if interval < least * (1 - SLACK) and not is_reported(before, entry):
            close.append((entry, before, interval))
    if not close:
        return []
    close.sort(key=lambda found: found[0].number)
    shortest = min(interval for _, _, interval in close)
    text = (
        f"{some(len(close), 'marker')} followed the previous one in less than the plan's least "
        f"interval of {duration(least)}, the closest after {duration(shortest)}."
    )
    meaning = "The receiver, or the analysis, may not separate the two."
    remedy = "Let the program wait longer, or correct least_interval_us in the plan."
    noted = (
        (entry, f"{duration(interval)} after {before.code}") for entry, before, interval in close
    )
    return [LogFinding("too close", text, meaning, remedy, len(close), places(noted))]


def _pulses(count: int) -> str:
    return f"{some(count, 'pulse')} {'was' if count == 1 else 'were'}"


def _range(values: list[int]) -> str:
    least, most = duration(min(values)), duration(max(values))
    return least if least == most else f"{least} to {most}"
