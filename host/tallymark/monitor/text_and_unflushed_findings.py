"""Text instead of codes, and bytes that came at once, in a log."""

from __future__ import annotations

from tallymark.markerlog import LoggedMarker
from tallymark.monitor.comparable_markers import Entry, Session, places
from tallymark.monitor.event_text import interval_us, is_too_soon
from tallymark.monitor.findings import LogFinding
from tallymark.monitor.unflushed_output_detector import Burst, BurstDetector

_MEANING = {
    "text": "The recording has codes that no event explains, or pulses too short to be seen.",
    "at once": "They cut each other short, or were refused, and it is not known how late they "
               "were.",
}


Groups = dict[int, tuple[str, int]]
"""The entries that came at once, by number: the kind of finding, and which burst."""


def text_and_unflushed_findings(session: Session) -> tuple[list[LogFinding], Groups]:
    """Text, and bytes that came at once and too soon; and which they are, since there is no need to
    find more in each of them."""
    groups: Groups = {}
    known = {event.code for event in session.plan.events}
    text: list[tuple[Burst, Entry]] = []
    others: list[tuple[Burst, Entry]] = []
    for burst, entries in _bursts(session):
        if burst.text(known):
            text.append((burst, entries[0]))
            kind = "text"
        elif burst.description(known) and any(is_too_soon(entry.marker) for entry in entries):
            others.append((burst, entries[0]))
            kind = "at once"
        else:
            continue
        groups |= {entry.number: (kind, burst.at) for entry in entries}
    findings = []
    for kind, found in (("text", text), ("at once", others)):
        if not found:
            continue
        more = f" There are {len(found):,} like that." if len(found) > 1 else ""
        noted = ((first, f"the first of {burst.count:,}") for burst, first in found)
        text_of = f"{found[0][0].description(known)}{more}"
        advice = found[0][0].advice(known)
        findings.append(
            LogFinding(kind, text_of, _MEANING[kind], advice, len(found), places(noted))
        )
    return findings, groups


def _bursts(session: Session) -> list[tuple[Burst, list[Entry]]]:
    collector = BurstDetector()
    ended: list[Burst | None] = []
    entries = [entry for entry in session.entries if entry.marker.source != "lines"]
    before: LoggedMarker | None = None
    for entry in entries:
        ended.append(collector.add(entry.code, interval_us(before, entry.marker)))
        before = entry.marker
    ended.append(collector.end())
    return [(burst, entries[burst.at : burst.at + burst.count]) for burst in ended if burst]
