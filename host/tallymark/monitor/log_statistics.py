"""What a marker log holds, counted."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from typing import Any

from tallymark.common.formatting import duration, some
from tallymark.common.signature import in_text
from tallymark.markerlog import LogData
from tallymark.monitor.event_text import host_us


def log_statistics(log: LogData) -> dict[str, Any]:
    """As JSON data. Counts, and times in seconds; None where they aren't known."""
    codes = [marker for marker in log.markers if marker.code or marker.source != "lines"]
    fates = Counter(marker.fate for marker in codes)
    return {
        "start": log.header.get("start"),
        "lasts_s": _lasts_s(log),
        "box": log.header.get("box") or {},
        "plan": (log.header.get("plan") or {}).get("name"),
        "markers": len(codes),
        "confirmed": fates["done"],
        "unconfirmed": fates["unconfirmed"],
        "refused": fates["refused"],
        "on_byte_input": sum(m.source == "byte" and m.box_us is not None for m in codes),
        "on_readback": sum(marker.source == "lines" for marker in codes),
        "cut_others": sum(bool(marker.code) and marker.cut_us is not None for marker in codes),
        "waited": sum(bool(marker.delay_us) for marker in codes),
        "signatures": dict(Counter(in_text(one.session) for one in log.signatures)),
        "records_lost": sum(lost.count for lost in log.lost),
        "lines_unread": len(log.bad_lines) + log.torn,
        "notes": log.notes(),
    }


def rows(log: LogData) -> list[tuple[str, str]]:
    """For people: what, and its value."""
    found = log_statistics(log)
    begun = [("started", _local(found["start"]))]
    if found["lasts_s"] is not None:
        begun.append(("lasts", duration(found["lasts_s"] * 1e6)))
    markers = f"{found['markers']:,}: " + ", ".join(
        f"{found[fate]:,} {fate}" for fate in ("confirmed", "unconfirmed", "refused")
    )
    more = [
        ("on_byte_input", "came in on the box's byte input"),
        ("on_readback", "seen at the readback"),
        ("cut_others", "cut an earlier pulse short"),
        ("waited", "waited for the gap"),
    ]
    box = ", ".join(f"{name} {value}" for name, value in found["box"].items() if value)
    return [
        *begun,
        ("box", box or "not known"),
        ("plan", found["plan"] or "none"),
        ("markers", markers),
        *(("", f"{found[name]:,} {text}") for name, text in more if found[name]),
        *(
            ("session", f"{session}, {some(count, 'signature')}")
            for session, count in found["signatures"].items()
        ),
        *(("note", note) for note in found["notes"]),
    ]


def _lasts_s(log: LogData) -> float | None:
    """From the first header to the end, or to the last marker. Parts are taken each for itself,
    since the computer may have been started anew in between."""
    total = 0
    for at, header in enumerate(log.headers):
        begin, end = header.get("host"), log.ends[at]
        known = [host_us(marker) for marker in log.markers if marker.session == at]
        last = end if end is not None else max((us for us in known if us is not None), default=None)
        if begin is None or last is None:
            return None
        total += last - begin
    return round(total / 1e6, 6)


def _local(start: str | None) -> str:
    if start is None:
        return "not known"
    try:
        return datetime.fromisoformat(start).astimezone().strftime("%Y-%m-%d %H:%M:%S %z")
    except ValueError:
        return start
