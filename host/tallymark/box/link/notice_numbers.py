"""Which notices of the box are missing, by their numbers (PROTOCOL.md, section 3.1)."""

from __future__ import annotations

_LAST = 255


class NoticeNumbers:
    """Follows the numbers of one box's notices, from the first one that is known."""

    def __init__(self) -> None:
        self._last: int | None = None
        self._unheard = False
        self._count = 0  # notices that came or are known to be missing
        self._before: int | None = None  # the box's own count where this one began

    def begin(self, last: int) -> None:
        """The box was identified: `last` is the number of its newest notice, which has come."""
        self._last = last
        self._count = 0
        self._before = None
        self._unheard = False

    def started(self, number: int) -> None:
        """The box has told that it started: its count begins with this notice."""
        self.begin(number)
        self._before = 1

    def started_unheard(self) -> None:
        """The box has started, and its notice of that, number 1, did not come: the next one with
        that number is another, whose number has come round."""
        self.started(1)
        self._unheard = True

    def came(self, number: int) -> int | None:
        """A notice came. Returns how many are missing before it, or None if it came before."""
        last, self._last = self._last, number
        if last == number and not self._unheard:
            return None
        self._unheard = False
        missing = 0 if last is None else (number - last - 1) % _LAST
        self._count += 1 + missing
        return missing

    def compare(self, total: int) -> int:
        """The box has counted so many notices since its start. Returns how many more are missing
        than the numbers have shown, which go round."""
        if self._before is None:
            self._before = total - self._count
        missing = total - self._before - self._count
        self._count += missing
        if missing > 0 and self._last is not None:
            self._last = (self._last + missing - 1) % _LAST + 1
        return missing
