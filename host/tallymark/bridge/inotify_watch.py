"""Tells when a file is opened and closed, by any program: inotify, which only Linux has."""

from __future__ import annotations

import ctypes
import os
import struct
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from select import select
from threading import Thread

from tallymark.bridge.byte_port import Waker

_CLOSED, _OPENED = 0x08 | 0x10, 0x20  # inotify(7): IN_CLOSE, IN_OPEN
_HEAD = struct.Struct("iIII")
_QUIET_S = 0.02
"""The system may tell that a program has closed a port a moment before its last byte is there."""
_BUSY_S = 0.5


class OpenCloseWatch:
    """Calls, from a thread of its own, `changed(True)` for each opening, `changed(False)` for each
    closing, and `quiet()` when nothing happened for a moment after them, or they go on and on.

    Raises OSError if this system doesn't tell.
    """

    def __init__(
        self, path: str, changed: Callable[[bool], None], quiet: Callable[[], None]
    ) -> None:
        if not sys.platform.startswith("linux"):
            raise OSError("only Linux reports this")
        libc = ctypes.CDLL(None, use_errno=True)
        self._changed, self._quiet = changed, quiet
        self._descriptor = libc.inotify_init1(os.O_CLOEXEC | os.O_NONBLOCK)
        if self._descriptor < 0:
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
        if libc.inotify_add_watch(self._descriptor, os.fsencode(path), _CLOSED | _OPENED) < 0:
            os.close(self._descriptor)
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
        self._waker = Waker()
        self._thread = Thread(target=self._run, name="openings", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        moved, began = False, 0.0
        while True:
            ready = select([self._descriptor, self._waker], [], [], _QUIET_S if moved else None)[0]
            if self._waker in ready:
                return
            if not ready or (moved and time.monotonic() - began > _BUSY_S):
                moved = False
                self._quiet()
                continue
            if not moved:
                moved, began = True, time.monotonic()
            with suppress(BlockingIOError):
                events = os.read(self._descriptor, 65536)
                while events:
                    _, mask, _, length = _HEAD.unpack_from(events)
                    events = events[_HEAD.size + length :]
                    if mask & (_OPENED | _CLOSED):
                        self._changed(bool(mask & _OPENED))

    def close(self) -> None:
        """Ends it."""
        self._waker.wake()
        self._thread.join()
        self._waker.close()
        os.close(self._descriptor)


def programs_with(path: str) -> int:
    """How many other programs have a file open, as far as this user may know (/proc)."""
    count = 0
    for process in os.listdir("/proc"):
        if not process.isdigit() or int(process) == os.getpid():
            continue
        with suppress(OSError):  # another user's, or just ended
            folder = f"/proc/{process}/fd"
            for descriptor in os.listdir(folder):
                with suppress(OSError):
                    if os.readlink(f"{folder}/{descriptor}") == path:
                        count += 1
                        break
    return count
