"""Which tag a request gets: one count for all of them, from 1 to 255 and round again.

The box keeps what it knows of tag t in place t mod `history`, until a request with another tag of
that place arrives. So a tag is left out as long as no such request was answered since its last use:
the box would take it for a repeated one, and an answer to its earlier use might still come. That is
rare, because each place has three tags at least, and all others of a round must have been lost.
"""

from __future__ import annotations

_LAST = 255
_SPARE = 2
"""Tags that are kept for asking what became of the oldest request."""


class TagAllocator:
    """Tags for a box with a history of that many places (a power of two, 8 to 64).

    last_tag: the tag to go on after, 0 if there is none.
    """

    def __init__(self, history: int, last_tag: int) -> None:
        self._history = history
        # Two tags further apart may share a place, because the count leaves out 0.
        self._span = history - 2
        self._reach = self._span - _SPARE
        self._sent = 0
        self._sent_as = [-1] * (_LAST + 1)  # which request had the tag last
        self._answered = [0] * history  # the newest answered request of the place
        self.last = last_tag
        self.next = self._free_after(last_tag)
        """The tag of the next request; 0: none is free."""

    def take(self) -> int:
        """The tag for a request that is going to be sent; `next` must not be 0."""
        self.last = tag = self.next
        self._sent += 1
        self._sent_as[tag] = self._sent
        self.next = self._free_after(tag)
        return tag

    def answered(self, tag: int) -> None:
        """The request with this tag has arrived, and pushed what else was in its place out."""
        place = tag % self._history
        sent_as = self._sent_as[tag]
        if self._answered[place] < sent_as:
            self._answered[place] = sent_as
        if not self.next:
            self.next = self._free_after(self.last)

    def _free_after(self, last: int) -> int:
        tag = last % _LAST + 1
        while self._sent_as[tag] >= self._answered[tag % self._history]:
            if tag == last:
                return 0
            tag = tag % _LAST + 1
        return tag

    def in_reach(self, oldest: int) -> bool:
        """Whether one more request leaves the box time to be asked for the fate of `oldest`."""
        return self.next != 0 and (self.next - oldest) % _LAST <= self._reach

    def is_remembered(self, tag: int) -> bool:
        """Whether the next request can ask for the fate of a tag and not push it out."""
        return self.next != 0 and (self.next - tag) % _LAST <= self._span

    def is_earlier(self, tag: int, other: int) -> bool:
        """Which of two requests that were on their way together was sent first."""
        return (tag - other) % _LAST > _LAST // 2
