"""The lock of a request window, which a sender outside Python may share."""

from __future__ import annotations

from threading import Lock
from typing import Protocol


class Partner(Protocol):
    """A sender that shares the lock: it sends while nobody has the lock, and the window takes note
    of that before anybody else looks at it."""

    def enter(self) -> None:
        """Somebody has taken the lock. Takes note of what was sent; sends nothing until `leave`."""

    def leave(self) -> None:
        """The lock is about to be given back. Looks at what may be sent next."""


class WindowLock:
    """A `threading.Lock`; `raw` is the lock itself, for whoever knows that it isn't shared."""

    def __init__(self) -> None:
        self.raw = Lock()
        self._partner: Partner | None = None

    def share(self, partner: Partner) -> None:
        """From now on a partner sends too. Once only, before others use `raw`."""
        with self:
            partner.enter()
            self._partner = partner

    def acquire(self, blocking: bool = True, timeout: float = -1) -> bool:
        """See `threading.Lock.acquire`."""
        taken = self.raw.acquire(blocking, timeout)
        if taken and self._partner is not None:
            self._partner.enter()
        return taken

    def release(self) -> None:
        """See `threading.Lock.release`."""
        if self._partner is not None:
            self._partner.leave()
        self.raw.release()

    def __enter__(self) -> bool:
        return self.acquire()

    def __exit__(self, *_: object) -> None:
        self.release()
