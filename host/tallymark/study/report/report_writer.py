"""Internal: the page of a study, one HTML file that needs no network."""

from __future__ import annotations

import re
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from tallymark.study.bad_outcome_ranking import wrong
from tallymark.study.measures import DRIFT
from tallymark.study.one_recording import version
from tallymark.study.report import charts
from tallymark.study.report.highlighted_figures import onset_rows, standing_out
from tallymark.study.result_tables import write_text
from tallymark.study.study_summary import Summary
from tallymark.study.trends import LEAST_OF_ALL

MOST_ROWS = 200
MOST_NAMED = 10  # recordings in the head of the page


def render(summary: Summary, made: datetime | None = None) -> str:
    """The page as HTML text. made: date to print; default now."""
    environment = Environment(
        loader=PackageLoader("tallymark.study.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    rows = summary.study.rows
    off = [row for row in rows if row["status"] != "checked" or row["outcome"] != "all arrived"]
    off.sort(key=lambda row: (_ORDER[row["status"]], -wrong(row), row["outcome"], row["name"]))
    trends, onsets = summary.trends, onset_rows(summary)
    page = environment.get_template("template.html").render(
        place=summary.study.place,
        headline=summary.headline,
        good=summary.good,
        findings=[_kept_together(text) for text in summary.findings],
        named=summary.named[:MOST_NAMED],
        more_named=max(len(summary.named) - MOST_NAMED, 0),
        looked_for_trends=trends.sessions >= LEAST_OF_ALL,
        totals=summary.totals,
        outcomes=summary.outcomes,
        counts=summary.study.counts,
        overview=Markup(charts.overview(rows)),
        undated=charts.undated(rows),
        panels=[(Markup(charts.panel(rows, trend.measure, trend.names, trend.first_day
                                     if trend.group.which == "since" else None)),
                 trend.measure.title, _kept_together(trend.text)) for trend in trends.found],
        clocks=[(Markup(charts.panel(rows, DRIFT, charts.names_of(rows, clock.group))),
                 DRIFT.title, _kept_together(clock.text)) for clock in trends.ageing],
        too_few=trends.too_few,
        groups=summary.groups,
        onsets=onsets,
        scales={row["probe"]: row["scale"] for row in onsets},
        out=standing_out(trends),
        plans=summary.plans,
        off=off[:MOST_ROWS],
        more_off=max(len(off) - MOST_ROWS, 0),
        share=_share,
        number=_number,
        version=version(),
        made=(made or datetime.now(timezone.utc)).strftime("%Y-%m-%d %H:%M %Z"),
    )
    return page + "\n"


_ORDER = {"checked": 0, "failed": 1, "copy": 2}


def write_page(summary: Summary, path: Path) -> Path:
    """Write the page in one step. Raises NotWritten."""
    return write_text(path, render(summary))


def _kept_together(text: str) -> str:
    """No line ends between a number and its unit."""
    return re.sub(r"(?<=\d) (?=%|(?:ms|µs|ppm)\b)", "\u00a0", text)


def _share(value: float | None) -> str:
    return "n/a" if value is None else f"{100 * value:.3g} %"


def _number(value: Any) -> str:
    if value is None:
        return "n/a"
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
