"""Internal: the report of a recording check, one HTML file that needs no network.

`render` gives the text, `write_report` writes it. Pictures are inline SVG (charts.py), the page
is a Jinja template (template.html) with its style inside.
"""

from __future__ import annotations

import contextlib
import os
import platform
from datetime import datetime, timezone
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from tallymark.errors import NotWritten
from tallymark.markerlog import LogData
from tallymark.plan import Plan
from tallymark.recording import FATES, Comparison, summary
from tallymark.recording.fates import ALTERED, ARRIVED, IN_PAUSE, OUTSIDE, UNKNOWN
from tallymark.recording.overall_outcome import findings
from tallymark.recording.report import charts
from tallymark.recording.session_signatures import sentences as signature_sentences

MOST_EVENTS = 24
_NOT_RECORDED = (OUTSIDE, IN_PAUSE)


def render(
    result: Comparison,
    log: LogData | None = None,
    plan: Plan | None = None,
    made: datetime | None = None,
) -> str:
    """The report as HTML text. made: date to print; default now."""
    environment = Environment(
        loader=PackageLoader("tallymark.recording.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    events = _events(result)
    found = findings(result)
    timing, width = summary.timing_sentences(result), summary.width_sentence(result)
    page = environment.get_template("template.html").render(
        recording=result.recorded.path.name,
        plan=_plan_name(log, plan),
        findings=found,
        signatures=signature_sentences(result),
        placed=bool((result.partner >= 0).any()),
        counts=_counts(result),
        lines=charts.line_rows(result),
        active_level={"high": " (high)", "low": " (low)", None: ""}[result.recorded.active],
        idle_level={"high": " (low)", "low": " (high)", None: ""}[result.recorded.active],
        over_time=Markup(charts.over_time(result)),
        over_time_narrow=Markup(charts.over_time(result, charts.NARROW)),
        jumps=result.jumps,
        unplaced=len(result.unplaced) > 0,
        timing=timing,
        band=result.recorded.rate is not None,
        residuals=_markup(charts.residuals(result)),
        drift=_markup(charts.drift(result)),
        widths=_markup(charts.widths(result)),
        width_sentence=width or "",
        events=events[:MOST_EVENTS],
        more_events=max(len(events) - MOST_EVENTS, 0),
        problems=summary.problems(result, 4),
        doubts=summary.doubts(result, 4),
        settings=_settings(result, log, plan, made or datetime.now(timezone.utc)),
        notes=result.recorded.notes,
    )
    return page + "\n"


def write_report(
    result: Comparison, path: str | Path, log: LogData | None = None, plan: Plan | None = None
) -> None:
    """Write the report. A report of the same name is replaced in one step, never half-written.

    Raises NotWritten if it can't be written.
    """
    path = Path(path)
    draft = path.with_name(path.name + ".part")
    text = render(result, log, plan)
    try:
        draft.write_text(text, encoding="utf-8")
        os.replace(draft, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise NotWritten(path, error) from error


def _markup(picture: str | None) -> Markup | None:
    return None if picture is None else Markup(picture)


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


def _settings(
    result: Comparison, log: LogData | None, plan: Plan | None, made: datetime
) -> list[tuple[str, str]]:
    recorded = result.recorded
    rate = "not known" if recorded.rate is None else f"{recorded.rate:g} Hz"
    rows = [
        ("recording", f"{recorded.path} ({recorded.format}, channel {recorded.channel}, {rate})"),
        ("events extracted by", recorded.rule),
        ("events of a marker are within", f"{result.alignment.tolerance_us:.0f} µs of it"),
    ]
    if log is not None:
        header = log.header
        rows.append(("marker log", f"{log.path}, started {header.get('start', '?')}"))
        for name in ("box", "settings"):
            if header.get(name):
                filled = {key: value for key, value in header[name].items() if value != ""}
                said = ", ".join(f"{key} {value}" for key, value in filled.items())
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
