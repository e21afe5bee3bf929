"""How long this thread was ready to run and had no processor: only Linux tells."""

from __future__ import annotations

import os
import sys
from contextlib import suppress


class CpuWait:
    """Made by the thread that asks. Times in seconds; always 0 where the system doesn't tell.
    `descriptor` is that of the file in which it tells; -1: it doesn't."""

    def __init__(self) -> None:
        self.descriptor = -1
        self._total = 0
        if not sys.platform.startswith("linux"):
            return
        with suppress(OSError):  # nobody else gets it: Python's descriptors are not inherited
            self.descriptor = os.open("/proc/thread-self/schedstat", os.O_RDONLY)
        self.since_last()

    def since_last(self, told: bytes = b"") -> float:
        """Since the last call. told: what the file said at the moment that counts, if it was read
        already."""
        if self.descriptor < 0:
            return 0.0
        before = self._total
        # Three numbers: nanoseconds on a processor, nanoseconds of waiting for one, turns.
        self._total = int((told or os.pread(self.descriptor, 64, 0)).split()[1])
        return (self._total - before) * 1e-9

    def close(self) -> None:
        """Ends it."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
