"""Which tag a request gets.

The box remembers the fate of marker tag t in place t mod `history`, and refuses a marker request
whose tag is still in its place. So a tag may only come again when another marker has taken its
place in the meantime, and that must not depend on what else was asked. Therefore markers have
tags of their own, taken strictly in turn, and the other requests have the tags of a few places
that no marker uses. A place whose latest marker request may never have arrived is left out from
then on, because nobody knows which tag is in it.
"""

from __future__ import annotations

from collections.abc import Container

_OTHERS_LEAST = 8
_PLACES_LEAST = 8


class Tags:
    """Tags for a box with a history of that many places (2 to 128), all free or used in turn."""

    def __init__(self, history: int, last_tag: int) -> None:
        self._history = history
        all_places = {tag % history for tag in range(1, 256)}
        # Place 0 first: with 128 places it belongs to one tag alone, which could not come again.
        self._others = [tag for tag in range(1, 256) if tag % history == 0]
        reserved = {0}
        for place in sorted(all_places, reverse=True):
            if len(self._others) >= _OTHERS_LEAST:
                break
            reserved.add(place)
            self._others += [tag for tag in range(1, 256) if tag % history == place]
        self._turn = 0
        self._all_places = all_places - reserved
        self._places = set(self._all_places)
        self._lay_ring(last_tag)

    def _lay_ring(self, last_tag: int) -> None:
        ring = [tag for tag in range(1, 256) if tag % self._history in self._places]
        self._follower = dict(zip(ring, ring[1:] + ring[:1], strict=True))
        self.next_marker = next((tag for tag in ring if tag > last_tag), ring[0])
        self.most_markers = len(self._places)
        """Markers that may be unanswered at a time, so that each finds its place untouched."""

    def take_marker(self) -> int:
        """The next tag for a marker."""
        tag = self.next_marker
        self.next_marker = self._follower[tag]
        return tag

    def other_is_free(self, taken: Container[int]) -> bool:
        """Whether a tag for another request is not in `taken`."""
        return any(tag not in taken for tag in self._others)

    def take_other(self, taken: Container[int]) -> int:
        """The next tag for another request that is not in `taken`; one has to be free."""
        while True:
            self._turn = (self._turn + 1) % len(self._others)
            if self._others[self._turn] not in taken:
                return self._others[self._turn]

    def leave_out(self, tag: int) -> None:
        """The marker request with this tag may never have arrived."""
        self._places.discard(tag % self._history)
        if len(self._places) < _PLACES_LEAST:
            self._places = set(self._all_places)
        self._lay_ring(self.next_marker - 1)
