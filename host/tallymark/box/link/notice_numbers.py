"""Which notices of the box are missing, by their numbers (PROTOCOL.md, section 3.1)."""

from __future__ import annotations

_LAST = 255


class NoticeNumbers:
    """Follows the numbers of one box's notices, from the first one that is known."""

    def __init__(self) -> None:
        self._last: int | None = None

    def begin(self, last: int) -> None:
        """The box was identified: `last` is the number of its newest notice, which has come."""
        self._last = last

    def came(self, number: int) -> int | None:
        """A notice came. Returns how many are missing before it, or None if it came before."""
        last, self._last = self._last, number
        if last == number:
            return None
        return 0 if last is None else (number - last - 1) % _LAST
