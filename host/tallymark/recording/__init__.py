"""Recording check: is every marker in the recording, rightly?

`load_events` reads a recording, `columns` takes the markers out of a log, `compare` puts the two
together. The parts: readers (formats), extract (with idle, settling and design), align (with clock,
candidates, rates, pieces, identity and the kernel in C), compare (with timing and wiring), outcomes
(the rule for green), summary and bids.
"""

from __future__ import annotations

try:
    import numpy as _numpy  # noqa: F401
except ImportError as error:  # pragma: no cover - depends on the installation
    raise ImportError(
        "The recording check needs numpy. Install it with: pip install numpy jinja2"
    ) from error

from tallymark.recording.comparison import compare
from tallymark.recording.comparison_result import AnotherSession, Comparison, Rival
from tallymark.recording.event_extraction import Design, Rule
from tallymark.recording.expectation import Expectation
from tallymark.recording.expected_design import design_of
from tallymark.recording.fates import FATES
from tallymark.recording.formats.loader import load_events
from tallymark.recording.recording_data import RecordedEvents, RecordingError
from tallymark.recording.sent_markers import Sent, columns

__all__ = [
    "FATES",
    "AnotherSession",
    "Comparison",
    "Design",
    "Expectation",
    "RecordedEvents",
    "RecordingError",
    "Rival",
    "Rule",
    "Sent",
    "columns",
    "compare",
    "design_of",
    "load_events",
]
