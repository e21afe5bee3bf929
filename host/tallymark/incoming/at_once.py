"""Text instead of codes, and bytes that came at once, in a log."""

from __future__ import annotations

from tallymark.incoming.bursts import Burst, Bursts
from tallymark.incoming.entries import Entry, Session, places
from tallymark.incoming.finding import LogFinding
from tallymark.incoming.story import is_too_soon, since
from tallymark.markerlog import LoggedMarker


def at_once(session: Session) -> list[LogFinding]:
    """Text, and bytes that came at once and too soon."""
    known = {event.code for event in session.plan.events}
    text: list[tuple[Burst, Entry]] = []
    others: list[tuple[Burst, Entry]] = []
    for burst, entries in _bursts(session):
        if burst.text(known):
            text.append((burst, entries[0]))
        elif burst.hint() and any(is_too_soon(entry.marker) for entry in entries):
            others.append((burst, entries[0]))
    findings = []
    for kind, found in (("text", text), ("at once", others)):
        if not found:
            continue
        more = f" There are {len(found):,} like that." if len(found) > 1 else ""
        noted = ((first, f"the first of {burst.count:,}") for burst, first in found)
        hint = found[0][0].hint(known) + more
        findings.append(LogFinding(kind, hint, count=len(found), places=places(noted)))
    return findings


def _bursts(session: Session) -> list[tuple[Burst, list[Entry]]]:
    collector = Bursts()
    ended: list[Burst | None] = []
    entries = [entry for entry in session.entries if entry.marker.source != "lines"]
    before: LoggedMarker | None = None
    for entry in entries:
        ended.append(collector.add(entry.code, since(before, entry.marker)))
        before = entry.marker
    ended.append(collector.end())
    return [(burst, entries[burst.at : burst.at + burst.count]) for burst in ended if burst]
