"""The marker log: format and writer (`writer`), `reader`, durations, summary of problems."""

from tallymark.markerlog.reader import (
    LogData,
    LoggedMarker,
    LoggedProbeEdge,
    LoggedSignature,
    MarkerLogError,
    MarkerLogIncomplete,
    read,
)
from tallymark.markerlog.record_checks import FORMAT_VERSION, begins_as_log
from tallymark.markerlog.writer import MarkerLog, host_time_us

__all__ = [
    "FORMAT_VERSION",
    "LogData",
    "LoggedMarker",
    "LoggedProbeEdge",
    "LoggedSignature",
    "MarkerLog",
    "MarkerLogError",
    "MarkerLogIncomplete",
    "begins_as_log",
    "host_time_us",
    "read",
]
