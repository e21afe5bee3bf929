"""What a study says, as data: for the JSON beside the tables, the page, and the screen."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tallymark.common.formatting import listed, some
from tallymark.study.bad_outcome_ranking import not_right, sentence
from tallymark.study.dates import day_text, days
from tallymark.study.measures import FACTORS, Row
from tallymark.study.one_recording import version
from tallymark.study.onset_delay_columns import PROBES
from tallymark.study.trends import LEAST, Ageing, Trend, Trends, trends
from tallymark.study.whole_study import Study, counted

_SUMS = ("expected", "arrived", "altered", "missed", "merged", "in_gap", "in_pause", "outside",
         "absent", "unknown", "extra")


@dataclass
class Summary:
    """A study in numbers and sentences. groups: for each factor, a row a level. plans: a row a
    digest. logs: recordings that their log doesn't fit. not_right: rows of the other recordings
    that are not all right, see there."""

    study: Study
    trends: Trends
    totals: dict[str, int]
    outcomes: dict[str, int]
    groups: dict[str, list[dict[str, Any]]]
    plans: list[dict[str, Any]]
    plan_changes: list[str]
    logs: list[str]
    not_right: list[Row]

    @property
    def findings(self) -> list[str]:
        """All that was found over the study, in sentences."""
        return [
            *(trend.text for trend in self.trends.found),
            *(clock.text for clock in self.trends.ageing),
            *self.plan_changes,
            *self.logs,
        ]

    @property
    def named(self) -> list[str]:
        """The other recordings that are not all right, in sentences."""
        return [sentence(row) for row in self.not_right]

    @property
    def good(self) -> bool:
        """Whether all recordings could be checked, all is well with each, and nothing was found."""
        statuses = set(self.study.counts) <= {"checked"}
        return statuses and not self.findings and set(self.outcomes) <= {"all arrived"}

    @property
    def headline(self) -> str:
        """The study in a sentence."""
        counts = self.study.counts
        text = f"{some(counts['checked'], 'recording')} checked"
        if counts["copy"]:
            text += f", {some(counts['copy'], 'copy')} set apart".replace("copys", "copies")
        if counts["failed"]:
            text += f", {counts['failed']:,} not checked"
        return f"{text}. Of {some(self.totals['expected'], 'marker')} in " \
               f"{some(self.totals['recordings'], 'recording')} that count, " \
               f"{self.totals['arrived']:,} arrived as sent."


def summarised(study: Study) -> Summary:
    """The summary of a study."""
    rows = study.rows
    own = list(counted(rows))
    totals = {"recordings": len(own)} | {name: sum(row[name] or 0 for row in own)
                                         for name in _SUMS}
    outcomes: dict[str, int] = defaultdict(int)
    for row in rows:
        if row["status"] == "checked":
            outcomes[row["outcome"]] += 1
    ordered = dict(sorted(outcomes.items(), key=lambda pair: -pair[1]))
    plans = _plans(own)
    found = trends(rows)
    explained = {name for trend in found.found for name in trend.names}
    return Summary(study, found, totals, ordered,
                   {factor: _levels(own, factor) for factor in FACTORS},
                   plans, _plan_changes(own), _logs(rows), not_right(rows, explained))


def _levels(rows: Sequence[Row], factor: str) -> list[dict[str, Any]]:
    levels: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        levels[row[factor] or ""].append(row)
    told = []
    for level, here in sorted(levels.items()):
        expected = sum(row["expected"] or 0 for row in here)
        dates = sorted(row["date"] for row in here if row["date"])
        told.append(
            {
                "level": level or "not known",
                "recordings": len(here),
                "few": len(here) < LEAST,
                "markers": expected,
                "lost": _share(sum((row["missed"] or 0) + (row["merged"] or 0) for row in here),
                               expected),
                "altered": _share(sum(row["altered"] or 0 for row in here), expected),
                "extra": sum(row["extra"] or 0 for row in here),
                "drift_ppm": _median(here, "drift_ppm"),
                "jitter_us": _median(here, "jitter_us"),
                "delay_us": _median(here, "delay_us"),
                "delay_jitter_us": _median(here, "delay_jitter_us"),
                "onsets": _onsets(here),
                "first": dates[0][:10] if dates else "",
                "last": dates[-1][:10] if dates else "",
            }
        )
    return told


def _onsets(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """For each probe by which onsets are known."""
    told = []
    for probe in PROBES:
        here = [row for row in rows if row[f"{probe}_onset_us"] is not None]
        if here:
            told.append({
                "probe": probe,
                "recordings": len(here),
                "onset_us": _median(here, f"{probe}_onset_us"),
                "jitter_us": _median(here, f"{probe}_onset_jitter_us"),
                "late": _share(sum(row[f"{probe}_late_onsets"] for row in here),
                               sum(row[f"{probe}_onsets"] for row in here)),
            })
    return told


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _median(rows: Sequence[Row], name: str) -> float | None:
    values = [row[name] for row in rows if row[name] is not None]
    return float(np.median(values)) if values else None


def _plans(rows: Sequence[Row]) -> list[dict[str, Any]]:
    found: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        if row["plan_digest"]:
            found[row["plan"], row["plan_digest"]].append(row)
    told = []
    for (plan, digest), here in found.items():
        dates = sorted(row["date"][:10] for row in here if row["date"])
        told.append(
            {
                "plan": plan,
                "digest": digest,
                "recordings": len(here),
                "sites": sorted({row["site"] for row in here if row["site"]}),
                "first": dates[0] if dates else "",
                "last": dates[-1] if dates else "",
            }
        )
    return sorted(told, key=lambda one: (one["plan"], one["first"]))


def _plan_changes(rows: Sequence[Row]) -> list[str]:
    """Where recordings of one plan and site have several digests, in sentences."""
    series: dict[tuple[str, str], list[tuple[float, str]]] = defaultdict(list)
    for row in rows:
        when = days(row["date"])
        if row["plan_digest"] and when is not None:
            series[row["plan"], row["site"] or ""].append((when, row["plan_digest"]))
    sentences = []
    for (name, site), points in sorted(series.items()):
        points.sort()
        plan = name or "(without a name)"
        digests = [digest for _, digest in points]
        if len(set(digests)) < 2:
            continue
        where = f" at site {site}" if site else ""
        turns = [number for number in range(1, len(digests))
                 if digests[number] != digests[number - 1]]
        if len(turns) == len(set(digests)) - 1:
            changes = listed([f"{digests[number][:8]} since {day_text(points[number][0])}"
                              for number in turns])
            sentences.append(f"Plan: {plan}{where} changed: {digests[0][:8]} first, {changes}.")
        else:
            named = listed(sorted({digest[:8] for digest in digests}))
            sentences.append(f"Plan: {plan}{where} is in use in several versions: {named}.")
    return sentences


def _logs(rows: Sequence[Row]) -> list[str]:
    sentences = []
    for row in rows:
        if row["status"] == "checked" and row["identity"] == "foreign":
            fits = f" The log of {row['log_of']} fits." if row["log_of"] else ""
            sentences.append(f"Log: {row['name']}: its log is that of another session.{fits}")
    return sentences


def as_data(summary: Summary) -> dict[str, Any]:
    """The summary as JSON data."""
    study = summary.study
    return {
        "study": study.place,
        "version": version(),
        "headline": summary.headline,
        "good": summary.good,
        "recordings": dict(study.counts),
        "from_earlier_runs": study.known,
        "totals": summary.totals,
        "outcomes": summary.outcomes,
        "findings": summary.findings,
        "trends": [_trend(trend) for trend in summary.trends.found],
        "clocks": [_clock(clock) for clock in summary.trends.ageing],
        "too_few": summary.trends.too_few,
        "plans": summary.plans,
        "groups": summary.groups,
        "other_logs": [
            {"recording": row["name"], "log_of": row["log_of"] or None} for row in study.rows
            if row["status"] == "checked" and row["identity"] == "foreign"
        ],
        "not_right": [
            {"name": row["name"], "outcome": row["outcome"], "text": sentence(row)}
            for row in summary.not_right
        ],
        "not_counted": [
            {"name": row["name"], "status": row["status"], "problem": row["problem"]}
            for row in study.rows if row["status"] != "checked"
        ],
    }


def _trend(trend: Trend) -> dict[str, Any]:
    return {
        "measure": trend.measure.name,
        "factor": trend.group.factor,
        "level": trend.group.level,
        "which": trend.group.which,
        "or": [[group.factor, group.level] for group in trend.also],
        "first": day_text(trend.first_day),
        "last": day_text(trend.last_day),
        "last_before": None if trend.day_before is None else day_text(trend.day_before),
        "median_inside": trend.inside,
        "median_outside": trend.outside,
        "p": trend.p,
        "recordings": trend.names,
    }


def _clock(clock: Ageing) -> dict[str, Any]:
    return {
        "factor": clock.group.factor,
        "level": clock.group.level,
        "or": [[group.factor, group.level] for group in clock.also],
        "ppm_a_month": clock.ppm_a_month,
        "low": clock.low,
        "high": clock.high,
        "p": clock.p,
    }
