"""Recording check: is every marker in the recording, rightly?

`load_events` reads a recording, `columns` takes the markers out of a log, `compare` puts the two
together. The parts, in the order of the work: `formats` reads files; `event_extraction` takes
events from a status channel, with `idle`, `settling` and what `event_hints_from_log` tells;
`alignment` finds which event is which marker, with `offset_candidates`, `clock_drift`,
`model_rates`, `alignment_segments`, `session_identity` and the `kernel` in C, and
`alignment_with_line_faults` does so where lines are at fault; `comparison` gives each marker its
fate, with `line_faults` and `timing`; `overall_outcome` holds the rule for green. `summary`,
`bids` and `report` tell it. `plan_comparison` is the check without a log.
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
from tallymark.recording.event_hints_from_log import design_of
from tallymark.recording.fates import FATES
from tallymark.recording.formats.loader import load_events
from tallymark.recording.recording_data import RecordedEvents, RecordingError
from tallymark.recording.sent_markers import Sent, columns
from tallymark.recording.stated_expectations import Expectation

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
