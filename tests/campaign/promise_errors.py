"""What a campaign raises when a promise does not hold, and when a program is killed."""

from __future__ import annotations


class Broken(AssertionError):
    """A promise did not hold. `promise` is its name in PROMISES.md."""

    def __init__(self, promise: str, text: str) -> None:
        super().__init__(f"{promise}: {text}")
        self.promise = promise


class Killed(BaseException):
    """The host program was killed at this point. Not an Exception, so that no library keeps it."""
