"""What comes in from somebody else's program: shown while it comes, and compared with a plan.

`LiveScreen` shows each byte and what became of it; `compare_log` sets a marker log beside a
plan, and `draw` puts that on a terminal.
"""

from tallymark.monitor.comparison_view import draw, draw_at_end
from tallymark.monitor.findings import LogComparison, LogFinding, Place
from tallymark.monitor.live_screen import LiveScreen
from tallymark.monitor.plan_comparison import compare_log

__all__ = [
    "LiveScreen",
    "LogComparison",
    "LogFinding",
    "Place",
    "compare_log",
    "draw",
    "draw_at_end",
]
