"""A capture: changes of the readback with their box times."""

from __future__ import annotations

import contextlib
from collections import deque
from types import TracebackType

from tallymark.box.interface_for_box_parts import LinkOwner
from tallymark.box.wire.answer_values import Edge, Edges
from tallymark.box.wire.protocol_enumerations import CaptureMode, Request
from tallymark.common.errors import TallymarkError


class Capture:
    """Captured changes of the readback. Made by `Box.capture`; starts at once.

    lost: changes that are missing so far, because the box had no room for them or because what it
    sent did not arrive.
    """

    def __init__(self, box: LinkOwner, send: bool) -> None:
        self.lost = 0
        self._next = 0  # the number of the entry that comes next
        self._box = box
        self._sent: deque[Edge] = deque()  # the reader thread puts in, another takes out
        self._stopped = False
        self._send = send

    def start(self) -> None:
        """Starts it. Called by `Box.capture`, once the box passes edges on to this object."""
        mode = CaptureMode.SEND if self._send else CaptureMode.KEEP
        self._box.link.ask(Request.CAPTURE_START, bytes((mode,)))

    def fetch(self) -> list[Edge]:
        """Takes the edges captured since the last call, oldest first.

        The first entry of a capture is the level of the readback at its start. Works after the
        capture was stopped too.
        """
        taken = [self._sent.popleft() for _ in range(len(self._sent))]
        if self._send and not self._stopped:
            return taken
        while True:
            first = self._next.to_bytes(4, "little")
            edges = Edges.parse(self._box.link.ask_again(Request.CAPTURE_FETCH, first).body)
            self._count(edges)
            if edges.next == edges.first:
                return taken
            taken += edges.edges

    def add(self, edges: Edges) -> None:
        """Takes edges that the box sent by itself."""
        self._count(edges)
        self._sent.extend(edges.edges)

    def _count(self, edges: Edges) -> None:
        self.lost += edges.lost + edges.missing(self._next)
        self._next = edges.next

    def stop(self) -> None:
        """Ends the capture; edges that were not fetched yet can still be."""
        if not self._stopped:
            self._box.link.ask(Request.CAPTURE_STOP)
            self._stopped = True

    def __enter__(self) -> Capture:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stops the capture; after an error as far as that is possible."""
        with contextlib.suppress(*(() if error is None else (TallymarkError,))):
            self.stop()
