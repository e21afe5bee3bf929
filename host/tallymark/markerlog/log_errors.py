"""What goes wrong with a marker log."""

from __future__ import annotations

from tallymark.common.errors import TallymarkError


class MarkerLogError(TallymarkError, OSError):
    """A marker log can't be written or read; the message says which and what to do."""


class MarkerLogIncomplete(MarkerLogError):
    """A marker log lacks records, or may not be on the disk whole. Markers went out all the same.

    `lost`: how many records are missing in it."""

    def __init__(self, text: str, lost: int = 0) -> None:
        super().__init__(text)
        self.lost = lost
