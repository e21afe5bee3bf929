"""Internal: the page of a study."""

from __future__ import annotations

from tallymark.study.report.report_writer import MOST_NAMED, render, write_page

__all__ = ["MOST_NAMED", "render", "write_page"]
