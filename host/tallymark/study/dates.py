"""Dates of recordings, which come in ISO 8601 with and without a time zone."""

from __future__ import annotations

from datetime import datetime, timedelta

_EPOCH = datetime(1970, 1, 1)


def days(text: str | None) -> float | None:
    """A date and time as days since 1970, in the local time of who wrote it; None if it is none."""
    if not text:
        return None
    try:
        when = datetime.fromisoformat(text.strip().replace("Z", "+00:00"))
    except ValueError:
        return None
    return (when.replace(tzinfo=None) - _EPOCH) / timedelta(days=1)


def day_text(value: float) -> str:
    """Days since 1970 as a date."""
    return (_EPOCH + timedelta(days=value)).date().isoformat()
