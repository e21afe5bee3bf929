"""Internal: which figures in the tables of a page are what a trend tells of, and the table of
onsets with a picture in each row."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from tallymark.study.measures import DRIFT, PROBE_RESOLUTION_US
from tallymark.study.onset_delay_columns import PROBES
from tallymark.study.report import charts
from tallymark.study.study_summary import Summary
from tallymark.study.trends import Group, Trends
from tallymark.study.whole_study import counted

Cell = tuple[str, str, str]
"""Factor, level, and name of the measure; lines at the wrong level are 'altered'."""


def standing_out(trends: Trends) -> set[Cell]:
    """The figures that a trend tells of."""
    found = [(trend.measure.name, (trend.group, *trend.also)) for trend in trends.found]
    found += [(DRIFT.name, (clock.group, *clock.also)) for clock in trends.ageing]
    return {_cell(group, name) for name, groups in found for group in groups}


def _cell(group: Group, measure: str) -> Cell:
    return (group.factor, group.level or "not known",
            "altered" if measure.startswith("line ") else measure)


def onset_rows(summary: Summary) -> list[dict[str, Any]]:
    """A row for each probe of each site, box and amplifier, with the onsets of its recordings on a
    scale that all rows of that probe have in common."""
    own = list(counted(summary.study.rows))
    rows = []
    for probe in PROBES:
        name = f"{probe}_onset_us"
        values = [row[name] for row in own if row[name] is not None]
        if not values:
            continue
        low, high = min(0.0, *values), max(0.0, *values)
        for factor, levels in summary.groups.items():
            for level in levels:
                for onset in (one for one in level["onsets"] if one["probe"] == probe):
                    here = [row[name] for row in own if row[name] is not None
                            and (row[factor] or "not known") == level["level"]]
                    strip = charts.strip(here, low, high, onset["onset_us"])
                    rows.append(onset | {
                        "factor": factor, "level": level["level"], "few": level["few"],
                        "scale": f"{low / 1000:.3g} to {high / 1000:.3g} ms",
                        "strip": Markup(strip),
                        "unresolved": onset["jitter_us"] < PROBE_RESOLUTION_US,
                        "resolution": f"{PROBE_RESOLUTION_US:.0f}",
                    })
    return rows
