"""Markers that another program sends: shown live, and compared with a plan.

`LiveScreen` shows each byte and its outcome; `compare_log` compares a marker log with a plan, and
`draw` shows the result on a terminal.
"""

from tallymark.monitor.comparison_view import draw, draw_at_end
from tallymark.monitor.findings import LogComparison, LogFinding, Place
from tallymark.monitor.live_screen import LiveScreen
from tallymark.monitor.log_plan_comparison import compare_log

__all__ = [
    "LiveScreen",
    "LogComparison",
    "LogFinding",
    "Place",
    "compare_log",
    "draw",
    "draw_at_end",
]
