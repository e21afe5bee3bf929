"""Share of the work that is done, where how many parts there are shows only on the way."""

from __future__ import annotations

from collections.abc import Callable

PART = 0.7  # of what is left that the next part gets


class Progress:
    """Passes on the share done, 0 to 1, which never goes back. Each part gets `PART` of what the
    parts before it left.

    Args:
        tell: called with the share done; None: nobody listens.
    """

    def __init__(self, tell: Callable[[float], None] | None = None) -> None:
        self._tell = tell
        self._done = 0.0
        self._first, self._end = 0.0, 0.0

    def part(self) -> Progress:
        """Begin the next part: the progress to tell of it, 0 to 1."""
        self._first = self._end
        self._end += PART * (1 - self._end)
        first, end = self._first, self._end
        return Progress(lambda share: self(first + share * (end - first)))

    def __call__(self, share: float) -> None:
        """Tell the share done."""
        if self._tell is not None and share > self._done:
            self._done = share
            self._tell(share)


__all__ = ["PART", "Progress"]
