"""Records that a marker log lost because it could not be written, and what is said of them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tallymark.common.formatting import some


@dataclass
class Gap:
    """Records in a row that are missing in the file. since_us: host time of the first of them.
    why: what the system said. restarted: a start of the box is among them."""

    since_us: int
    why: str
    count: int = 0
    restarted: bool = False

    def add(self, line: bytes) -> None:
        """One more record is lost."""
        record = json.loads(line)
        happened = record.get("host")
        if not self.count and type(happened) is int:
            self.since_us = min(self.since_us, happened)
        self.count += 1
        self.restarted |= "restart" in record

    def record(self, host_us: int) -> dict[str, Any]:
        """The record that tells of it, written at that host time."""
        record: dict[str, Any] = {"lost": self.count, "since": self.since_us, "host": host_us}
        record["why"] = self.why
        return record | ({"restarted": True} if self.restarted else {})


def begun(path: Path, why: str) -> str:
    """Said when the first record is lost."""
    return (
        f"{path}: the marker log can't be written ({why}). Markers still go to the box, but they "
        "are not in the log until it can be written again: only the recording will hold them. "
        "Free some space on that disk, or make it reachable again, now."
    )


def ended(path: Path, count: int) -> str:
    """Said when records can be written again."""
    return (
        f"{path}: the marker log can be written again. {some(count, 'record')} "
        f"{'is' if count == 1 else 'are'} missing in it, and the log says so."
    )


def closed(path: Path) -> str:
    """Said when a record comes after the end of the log."""
    return (
        f"{path}: the marker log is closed. Markers from now on are not in it: only the recording "
        "will hold them."
    )


def at_close(path: Path, count: int, why: str, noted: bool) -> str:
    """Said when the log is closed. noted: the file itself tells of all that it lacks."""
    says = "The log itself says so" if noted else "The log itself could not tell of them all"
    return (
        f"{path}: the marker log is incomplete: {some(count, 'record')} could not be written "
        f"({why}). Markers went to the box all the same, so the recording may hold some that the "
        f"log lacks. {says}. Keep the recording, and free some space or choose another disk before "
        "the next run."
    )
