"""The marker log: format and writer (`writer`), `reader`, durations, summary of problems."""

from tallymark.markerlog.reader import (
    FORMAT_VERSION,
    LogData,
    LoggedMarker,
    LoggedSignature,
    MarkerLogError,
    read,
)
from tallymark.markerlog.writer import MarkerLog, host_time_us

__all__ = [
    "FORMAT_VERSION",
    "LogData",
    "LoggedMarker",
    "LoggedSignature",
    "MarkerLog",
    "MarkerLogError",
    "host_time_us",
    "read",
]
