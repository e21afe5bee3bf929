"""Internal: writes all that a study check leaves: tables, page, JSON and derivative."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tallymark.study.derivative import write_derivative
from tallymark.study.result_tables import write_json, write_tables
from tallymark.study.study_summary import Summary, as_data


def write_results(
    summary: Summary,
    folder: str | Path,
    tsv: bool = False,
    presentation: dict[str, Any] | None = None,
) -> list[Path]:
    """Write the tables, the page and the JSON of a study, and the derivative of a BIDS data set.

    presentation: as of `write_derivative`. Returns the files for people. Raises NotWritten.
    """
    from tallymark.study.report import write_page

    folder = Path(folder)
    written = write_tables(summary.study, folder, tsv)
    if summary.study.found.is_bids:
        write_derivative(summary.study, folder, presentation)
    written.append(write_json(folder / "study.json", as_data(summary)))
    return [*written, write_page(summary, folder / "study.html")]
