"""Internal: the report of a recording check, as one HTML file that needs no network, or as PDF.

`render` gives the text of the page, `write_report` writes either. Pictures are inline SVG
(charts.py), the page is a Jinja template (template.html) with its style inside, `pdf` writes the
same content with fpdf2.
"""

from __future__ import annotations

import contextlib
import os
from datetime import datetime
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from tallymark.common import colours
from tallymark.common.errors import NotWritten
from tallymark.markerlog import LogData
from tallymark.plan import Plan
from tallymark.recording import Comparison
from tallymark.recording.report import charts
from tallymark.recording.report.content import content
from tallymark.recording.report.notebook_fields import Notebook


def render(
    result: Comparison,
    log: LogData | None = None,
    plan: Plan | None = None,
    made: datetime | None = None,
    notebook: Notebook | None = None,
) -> str:
    """The report as HTML text. made: date to print; default now."""
    environment = Environment(
        loader=PackageLoader("tallymark.recording.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    page = environment.get_template("template.html").render(
        **content(result, log, plan, made, notebook),
        colours=colours,
        over_time=Markup(charts.over_time(result)),
        over_time_narrow=Markup(charts.over_time(result, charts.NARROW)),
        residuals=_markup(charts.residuals(result)),
        drift=_markup(charts.drift(result)),
        widths=_markup(charts.widths(result)),
    )
    return page + "\n"


def write_report(
    result: Comparison,
    path: str | Path,
    log: LogData | None = None,
    plan: Plan | None = None,
    made: datetime | None = None,
    notebook: Notebook | None = None,
) -> None:
    """Write the report: a PDF if the name ends in .pdf, otherwise a page in HTML. A report of the
    same name is replaced in one step, never half-written.

    Raises NotWritten if it can't be written, BadValue for a PDF without what writes it (the extra
    `picture`).
    """
    path = Path(path)
    draft = path.with_name(path.name + ".part")
    if path.suffix.lower() == ".pdf":
        from tallymark.recording.report import pdf

        written = pdf.render(result, log, plan, made, notebook)
    else:
        written = render(result, log, plan, made, notebook).encode()
    try:
        draft.write_bytes(written)
        os.replace(draft, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise NotWritten(path, error) from error


def _markup(picture: str | None) -> Markup | None:
    return None if picture is None else Markup(picture)
