"""Internal: a writer outside Python that shares the file of a marker log."""

from __future__ import annotations

from typing import NamedTuple, Protocol


class Unwritten(NamedTuple):
    """A record of which the file has only the first bytes, or nothing.

    error: what the system said, a value of errno; 0: nothing."""

    line: bytes
    written: int
    error: int


class LogPartner(Protocol):
    """It writes whole records while nobody has the log's lock, and stops at one that it can't
    write."""

    def enter_log(self) -> Unwritten | None:
        """Somebody has the lock, and the partner writes nothing until `leave_log`. Returns the
        record that it could not write."""

    def leave_log(self, takes: bool) -> None:
        """The lock is about to be given back. takes: whether the partner may write."""
