"""Internal: the report of a recording check."""

from __future__ import annotations

from tallymark.recording.report.report_writer import render, write_report

__all__ = ["render", "write_report"]
