"""How long after its marker the light changed or the sound began, from the probe edges of a log.

`measure` takes a marker log and says it for each probe: `onsets` collects what the probe saw,
`pairing` finds the onset of each marker, `steadiness` what changed in the session.
"""

from tallymark.markerlog.delay.measure import RANGE_US, measure, measured_by_plan
from tallymark.markerlog.delay.pairing import AMBIGUOUS, FOUND, MISSING, STILL_ON, UNKNOWN
from tallymark.markerlog.delay.result import Delays, EventDelay, ProbeDelay
from tallymark.markerlog.delay.steadiness import Steadiness, Step

__all__ = [
    "AMBIGUOUS",
    "FOUND",
    "MISSING",
    "RANGE_US",
    "STILL_ON",
    "UNKNOWN",
    "Delays",
    "EventDelay",
    "ProbeDelay",
    "Steadiness",
    "Step",
    "measure",
    "measured_by_plan",
]
