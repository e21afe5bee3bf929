"""What comes in from somebody else's program: shown while it comes, and compared with a plan.

`IncomingScreen` shows each byte and what became of it; `compare_log` sets a marker log beside a
plan, and `draw` puts that on a terminal.
"""

from tallymark.incoming.against_plan import compare_log
from tallymark.incoming.converted import from_notice
from tallymark.incoming.finding import LogComparison, LogFinding, Place
from tallymark.incoming.report import draw
from tallymark.incoming.screen import IncomingScreen

__all__ = [
    "IncomingScreen",
    "LogComparison",
    "LogFinding",
    "Place",
    "compare_log",
    "draw",
    "from_notice",
]
