"""A whole study: each recording is checked by a worker, and what changed over time is found.

`check_study` finds and checks, `summarised` says what the study shows, `write_results` writes
tables, page and derivative. The parts: `recording_discovery` (recordings and logs),
`one_recording` (the task of a worker), `cluster` (dask), `result_store` (what is done stays done),
`trends` (what got worse).
"""

from __future__ import annotations

from pathlib import Path

from tallymark.study.derivative import write_derivative
from tallymark.study.recording_discovery import Found, find
from tallymark.study.recording_pair import CheckOptions, Pair, StudyError
from tallymark.study.result_tables import write_json, write_tables
from tallymark.study.study_summary import Summary, as_data, summarised
from tallymark.study.trends import Trends, trends
from tallymark.study.whole_study import Study, check_study

FILES = (
    "study.html", "study.json", *(f"{table}.{kind}" for table in ("recordings", "markers")
                                  for kind in ("parquet", "tsv", "json")),
)
"""Files that `write_results` writes into its folder, events of a derivative aside."""


def write_results(summary: Summary, folder: str | Path, tsv: bool = False) -> list[Path]:
    """Write the tables, the page and the JSON of a study, and the derivative of a BIDS data set.

    Returns the files for people. Raises NotWritten.
    """
    from tallymark.study.report import write_page

    folder = Path(folder)
    written = write_tables(summary.study, folder, tsv)
    if summary.study.found.is_bids:
        write_derivative(summary.study, folder)
    written.append(write_json(folder / "study.json", as_data(summary)))
    return [*written, write_page(summary, folder / "study.html")]


__all__ = [
    "FILES",
    "CheckOptions",
    "Found",
    "Pair",
    "Study",
    "StudyError",
    "Summary",
    "Trends",
    "as_data",
    "check_study",
    "find",
    "summarised",
    "trends",
    "write_derivative",
    "write_json",
    "write_results",
    "write_tables",
]
