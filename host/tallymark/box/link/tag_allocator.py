"""Which tag a request gets: one count for all of them, from 1 to 255 and round again.

The box carries out a marker only if its tag is ahead of the newest that it knows, by 127 at most,
and remembers the fate of the last `history` tags. So the host must not count further than the box
can follow: after `_SILENT_MOST` tags of which none was answered, there is no next one, and the host
has to open the box anew.
"""

from __future__ import annotations

_LAST = 255
_SPARE = 2
"""Tags that are kept for asking what became of the oldest request."""
_SILENT_MOST = 100
"""PROTOCOL.md, section 3.2."""


class TagAllocator:
    """Tags for a box with a history of that many places (a power of two, 8 to 64).

    last: the tag that was taken last. next: the tag of the next request; 0: none is free.
    """

    def __init__(self, history: int, last: int) -> None:
        # Two tags further apart may share a place, because the count leaves out 0.
        self._span = history - 2
        self._reach = self._span - _SPARE
        self._silent = 0
        self.last = last
        self.next = last % _LAST + 1

    def take(self) -> int:
        """The tag for a request that is going to be sent; `next` must not be 0."""
        self.last = tag = self.next
        self._silent += 1
        self.next = tag % _LAST + 1 if self._silent < _SILENT_MOST else 0
        return tag

    def answered(self, tag: int) -> None:
        """The request with this tag has arrived, so that the box knows this tag or a newer one."""
        self._silent = min(self._silent, (self.last - tag) % _LAST)
        self.next = self.last % _LAST + 1

    def in_reach(self, oldest: int) -> bool:
        """Whether one more request leaves the box time to be asked for the fate of `oldest`."""
        return self.next != 0 and (self.next - oldest) % _LAST <= self._reach

    def is_remembered(self, tag: int) -> bool:
        """Whether the next request can ask for the fate of a tag and not push it out."""
        return self.next != 0 and (self.next - tag) % _LAST <= self._span

    def is_earlier(self, tag: int, other: int) -> bool:
        """Which of two requests that were on their way together was sent first."""
        return (tag - other) % _LAST > _LAST // 2
