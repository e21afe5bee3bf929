"""The marker log: its format and writer (`writer`), its reader, and what is worked out of it."""

from tallymark.markerlog.reader import FORMAT_VERSION, LogData, LoggedMarker, MarkerLogError, read
from tallymark.markerlog.writer import MarkerLog, host_time_us

__all__ = [
    "FORMAT_VERSION",
    "LogData",
    "LoggedMarker",
    "MarkerLog",
    "MarkerLogError",
    "host_time_us",
    "read",
]
