"""What windows draw of the lines: changes of the readback as captured, codes as confirmed, and what
the probes see."""

from __future__ import annotations

from collections import deque
from typing import Any

from tallymark.box.box import Box
from tallymark.box.capture import Capture
from tallymark.box.wire.answer_values import Edge
from tallymark.page.output_code_intervals import Block
from tallymark.page.probe_changes import ProbeChanges
from tallymark.page.sent_rows import SentRows

_ROWS_SHOWN = 200
_KEPT = 20_000


class LiveLines:
    """The last seconds of one box. rows: of what was sent; its readback is compared here.

    `capture` and `begin_box_time` are called by any thread, the rest by the one that collects.
    """

    def __init__(self, rows: SentRows) -> None:
        self.rows = rows
        self.edges: deque[Edge] = deque(maxlen=_KEPT)
        self.probes = ProbeChanges()
        self.lost = 0
        """Edges that are missing."""
        self._blocks: deque[Block] = deque(maxlen=_KEPT)
        self._new_blocks: list[Block] = []
        self._epoch = 0  # counts beginnings of box time, so that nobody mixes times of two
        self._capture: Capture | None = None
        self._fetched: Capture | None = None

    def begin_box_time(self) -> None:
        """Box time began again."""
        self._epoch += 1
        self.edges.clear()
        self._blocks.clear()
        self.probes.begin_box_time()
        self.rows.begin_box_time()

    def capture(self, box: Box) -> None:
        """Begins to capture. Raises NoAnswer, PortGone."""
        self._capture = box.capture(send=True)

    def fetch(self, resting: bool) -> list[Edge]:
        """Takes what was captured since the last call. resting: nothing of it counts."""
        capture, widths = self._capture, self.rows.widths
        if capture is None:
            return []
        if capture is not self._fetched or resting:
            self._fetched = capture
            widths.rest()
        edges = [] if resting else capture.fetch()
        if capture.lost:
            widths.miss(edges)
        self.lost += capture.lost
        capture.lost = 0
        self.edges.extend(edges)
        widths.add(edges)
        return edges

    def add(self, block: Block) -> None:
        """A code on the lines, or idle."""
        self._blocks.append(block)
        self._new_blocks.append(block)

    def news(self, edges: list[Edge], now_us: float | None) -> dict[str, Any]:
        """What is new, for JSON. edges: that were fetched. now_us: box time, if it is known."""
        blocks, self._new_blocks = self._new_blocks, []
        return {
            "now": now_us,
            "epoch": self._epoch,
            "edges": [[edge.time_us, edge.levels] for edge in edges],
            "blocks": [block.as_data() for block in blocks],
            "probes": self.probes.take_new(),
            "rows": self.rows.take_new(),
            "updates": [] if now_us is None else self.rows.judged(now_us),
        }

    def snapshot(self, now_us: float | None) -> dict[str, Any]:
        """All that a window needs which opens now, for JSON."""
        return {
            "now": now_us,
            "epoch": self._epoch,
            "edges": [[edge.time_us, edge.levels] for edge in self.edges],
            "blocks": [block.as_data() for block in self._blocks],
            "probes": self.probes.all(),
            "rows": list(self.rows.rows)[-_ROWS_SHOWN:],
        }
