"""Internal: what a report says, for the page in HTML and for the PDF."""

from __future__ import annotations

import platform
from datetime import datetime, timezone
from importlib import metadata
from typing import Any

import numpy as np

from tallymark.common.formatting import time_text
from tallymark.markerlog import LogData
from tallymark.markerlog.delay import measured_by_plan
from tallymark.markerlog.delay.sentences import sentences as delay_sentences
from tallymark.plan import Plan
from tallymark.recording import FATES, Comparison, summary
from tallymark.recording.fates import ALTERED, ARRIVED, IN_PAUSE, OUTSIDE, UNKNOWN
from tallymark.recording.overall_outcome import findings
from tallymark.recording.report import charts
from tallymark.recording.report.notebook_fields import Notebook
from tallymark.recording.session_signatures import sentences as signature_sentences

MOST_EVENTS = 24
CAUTION = (
    "The marker box is not a medical device. What protects a person wired to the amplifier is the "
    "amplifier's own isolation; keep to its manual, IEC 60601-1, local codes and your biomedical "
    "engineers' rules."
)
_NOT_RECORDED = (OUTSIDE, IN_PAUSE)


def content(
    result: Comparison,
    log: LogData | None,
    plan: Plan | None,
    made: datetime | None,
    notebook: Notebook | None,
) -> dict[str, Any]:
    """Everything in a report but its charts, by the names of the template."""
    events = _events(result)
    return {
        "recording": result.recorded.path.name,
        "plan": _plan_name(log, plan),
        "notebook": (notebook or Notebook()).rows(),
        "findings": findings(result),
        "signatures": signature_sentences(result),
        "placed": bool((result.partner >= 0).any()),
        "counts": _counts(result),
        "lines": charts.line_rows(result),
        "active_level": {"high": " (high)", "low": " (low)", None: ""}[result.recorded.active],
        "idle_level": {"high": " (low)", "low": " (high)", None: ""}[result.recorded.active],
        "jumps": result.jumps,
        "unplaced": len(result.unplaced) > 0,
        "timing": summary.timing_sentences(result),
        "delays": [] if log is None else delay_sentences(measured_by_plan(log, plan)),
        "band": result.recorded.rate is not None,
        "width_sentence": summary.width_sentence(result) or "",
        "events": events[:MOST_EVENTS],
        "more_events": max(len(events) - MOST_EVENTS, 0),
        "problems": summary.problems(result, 4),
        "doubts": summary.doubts(result, 4),
        "settings": _settings(result, log, plan, made or datetime.now(timezone.utc)),
        "notes": result.recorded.notes,
        "caution": CAUTION,
    }


def _plan_name(log: LogData | None, plan: Plan | None) -> str:
    if plan is not None:
        return plan.name
    logged = (log.header.get("plan") or {}) if log is not None else {}
    return str(logged.get("name", ""))


def _counts(result: Comparison) -> list[tuple[str, int]]:
    counts = [
        (name, result.count(number))
        for number, name in enumerate(FATES)
        if result.count(number) or name in ("arrived", "altered", "missed")
    ]
    return [*counts, ("extra", len(result.extra))]


def _events(result: Comparison) -> list[dict[str, Any]]:
    """Counts for each name and code, in order of the code."""
    sent = result.sent
    key = sent.name * 256 + sent.code
    rows = []
    for value in sorted(np.unique(key).tolist(), key=lambda v: v % 256):
        here = key == value
        fate = result.fate[here]
        rows.append(
            {
                "name": sent.names[value // 256] if value >= 0 else "(no name)",
                "code": value % 256,
                "sent": int(here.sum()),
                "arrived": int((fate == ARRIVED).sum()),
                "altered": int((fate == ALTERED).sum()),
                "missing": int((~np.isin(fate, (ARRIVED, ALTERED, *_NOT_RECORDED, UNKNOWN))).sum()),
                "not_recorded": int(np.isin(fate, _NOT_RECORDED).sum()),
                "unknown": int((fate == UNKNOWN).sum()),
            }
        )
    return rows


def _unused(key: str, value: object) -> bool:
    """Whether a setting is that of a probe that is off."""
    return value in (0, "off") and key.startswith(("light", "sound", "ttl"))


def _settings(
    result: Comparison, log: LogData | None, plan: Plan | None, made: datetime
) -> list[tuple[str, str]]:
    recorded = result.recorded
    rate = "not known" if recorded.rate is None else f"{recorded.rate:g} Hz"
    rows = [
        ("recording", f"{recorded.path} ({recorded.format}, channel {recorded.channel}, {rate})"),
        ("events extracted by", recorded.rule),
        ("events of a marker are within", f"{time_text(result.alignment.tolerance_us)} of it"),
    ]
    if log is not None:
        header = log.header
        rows.append(("marker log", f"{log.path}, started {header.get('start', '?')}"))
        for name in ("box", "settings"):
            if header.get(name):
                filled = {key: value for key, value in header[name].items()
                          if value != "" and not _unused(key, value)}
                said = ", ".join(_value(key, value) for key, value in filled.items())
                rows.append((name, said))
        digest = (header.get("plan") or {}).get("digest")
        if digest:
            rows.append(("plan when sent", str(digest)[:16]))
    if plan is not None:
        rows.append(("plan given", plan.digest[:16]))
    try:
        version = metadata.version("tallymark")
    except metadata.PackageNotFoundError:
        version = "not installed"
    rows.append(
        (
            "made by",
            f"tallymark {version}, numpy {np.__version__}, Python {platform.python_version()}",
        )
    )
    rows.append(("made on", made.strftime("%Y-%m-%d %H:%M %Z")))
    return rows


def _value(key: str, value: Any) -> str:
    """One value of the log's header; times with their unit."""
    if not key.endswith("_us") or not isinstance(value, int):
        return f"{key} {value}"
    return f"{key.removesuffix('_us')} {time_text(value)}"
