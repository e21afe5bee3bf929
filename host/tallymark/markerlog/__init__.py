"""The marker log: `writer` with `record_file` and `part_header`, `reader` with `log_data`,
durations, summary of problems."""

from tallymark.markerlog.log_data import LogData, LoggedMarker, LoggedProbeEdge, LoggedSignature
from tallymark.markerlog.log_errors import MarkerLogError, MarkerLogIncomplete
from tallymark.markerlog.reader import read
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
