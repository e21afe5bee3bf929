"""Which tag a request gets: one count for all of them, from 1 to 255 and round again.

The box keeps what it knows of tag t in place t mod `history`, until a request with another tag of
that place arrives. So a tag is not used again before such a request was answered: the box would
take it for a repeated one, and an answer to its earlier use might still come. That happens only
when nearly all requests of a round were lost, since each place has three tags at least.
"""

from __future__ import annotations

_LAST = 255
_SPARE = 2
"""Tags that are kept for asking what became of the oldest request."""


class Tags:
    """Tags for a box with a history of that many places (a power of two, 8 to 64).

    last_tag: the tag that the box has seen last, 0 if there is none.
    """

    def __init__(self, history: int, last_tag: int) -> None:
        self._history = history
        self._in_place: list[set[int]] = [set() for _ in range(history)]
        # Two tags further apart may share a place, because the count leaves out 0.
        self._span = history - 2
        self.last = last_tag
        self.next = self._free_after(last_tag)
        """The tag of the next request; 0: none is free."""

    def take(self) -> int:
        """The tag for a request that is going to be sent; `next` must not be 0."""
        self.last = tag = self.next
        self._in_place[tag % self._history].add(tag)
        self.next = self._free_after(tag)
        return tag

    def answered(self, tag: int) -> None:
        """The request with this tag has arrived, so nothing else is in its place."""
        self._in_place[tag % self._history] = {tag}
        if not self.next:
            self.next = self._free_after(self.last)

    def in_reach(self, oldest: int) -> bool:
        """Whether one more request leaves the box time to be asked for the fate of `oldest`."""
        return self.next != 0 and (self.next - oldest) % _LAST <= self._span - _SPARE

    def is_remembered(self, tag: int) -> bool:
        """Whether the next request can ask for the fate of a tag and not push it out."""
        return self.next != 0 and (self.next - tag) % _LAST <= self._span

    def is_earlier(self, tag: int, other: int) -> bool:
        """Which of two requests that were on their way together was sent first."""
        return (tag - other) % _LAST > _LAST // 2

    def _free_after(self, tag: int) -> int:
        for _ in range(_LAST):
            tag = tag % _LAST + 1
            if tag not in self._in_place[tag % self._history]:
                return tag
        return 0
