"""A disk that writes short, is full, or goes away with the program that is killed.

It stands in the place of `os` below the marker log and passes everything on to the real one.
"""

from __future__ import annotations

import errno
import json
import os
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from promise_errors import Killed


@dataclass
class Record:
    """One record that the log wrote, or tried to. state: 'whole', 'part' or 'failed'."""

    value: dict[str, Any]
    state: str


class Disk:
    """`faults` holds one entry for each of the next writes: ('fine', 0), ('short', k), ('full', 0).
    `within` says whether the program is killed in this write, and after how many bytes."""

    def __init__(
        self, within: Callable[[bytes], int | None], told: Callable[[Record], None]
    ) -> None:
        self.faults: deque[tuple[str, int]] = deque()
        self._within = within
        self._told = told

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def fsync(self, _descriptor: int) -> None:
        """Costs milliseconds, and shows nothing here."""

    def write(self, descriptor: int, data: bytes) -> int:
        """As os.write, with what is wrong next."""
        taken = self._within(data)
        kind, amount = self.faults.popleft() if self.faults else ("fine", 0)
        if taken is not None:
            os.write(descriptor, data[:taken])
            raise Killed
        if data == b"\n":
            return os.write(descriptor, data)
        record = Record(json.loads(data), "whole")
        if kind == "full":
            record.state = "failed"
            self._told(record)
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if kind == "short":
            count = amount % len(data)
            if count < len(data) - 1:  # otherwise it lacks its line end alone, which may follow
                record.state = "part" if count else "failed"
            self._told(record)
            return os.write(descriptor, data[:count])
        self._told(record)
        return os.write(descriptor, data)
