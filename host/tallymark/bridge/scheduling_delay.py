"""How long this thread was ready to run and had no processor: only Linux tells."""

from __future__ import annotations

import os
import sys
from contextlib import suppress


class CpuWait:
    """Made by the thread that asks. Times in seconds; always 0 where the system doesn't tell."""

    def __init__(self) -> None:
        self._descriptor = -1
        self._total = 0
        if not sys.platform.startswith("linux"):
            return
        with suppress(OSError):  # nobody else gets it: Python's descriptors are not inherited
            self._descriptor = os.open("/proc/thread-self/schedstat", os.O_RDONLY)
        self.since_last()

    def since_last(self) -> float:
        """Since the last call."""
        if self._descriptor < 0:
            return 0.0
        before = self._total
        # Three numbers: nanoseconds on a processor, nanoseconds of waiting for one, turns.
        self._total = int(os.pread(self._descriptor, 64, 0).split()[1])
        return (self._total - before) * 1e-9

    def close(self) -> None:
        """Ends it."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
