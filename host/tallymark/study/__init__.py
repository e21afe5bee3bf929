"""A whole study: each recording is checked by a worker, and what changed over time is found.

`check_study` finds and checks, `summarised` says what the study shows, `write_results` writes
tables, page and derivative. The parts: `recording_discovery` (recordings and logs),
`one_recording` (the task of a worker), `dask_task_runner`, `result_store` (what is done stays
done), `trends` (what got worse).
"""

from __future__ import annotations

from tallymark.study.derivative import write_derivative
from tallymark.study.recording_discovery import Found, find
from tallymark.study.recording_pair import CheckOptions, Pair, StudyError
from tallymark.study.result_tables import write_json, write_tables
from tallymark.study.study_output_writer import write_results
from tallymark.study.study_summary import Summary, as_data, summarised
from tallymark.study.trends import Trends, trends
from tallymark.study.whole_study import Study, check_study

FILES = (
    "study.html", "study.json", *(f"{table}.{kind}" for table in ("recordings", "markers")
                                  for kind in ("parquet", "tsv", "json")),
)
"""Files that `write_results` writes into its folder, events of a derivative aside."""

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
