"""A second box as witness: its capture of the lines, on its own clock."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from tallymark.box.box import Box
from tallymark.box.link.marker import Marker
from tallymark.box.wire.answer_values import Edge
from tallymark.verification.acceptance import limits
from tallymark.verification.acceptance.pulse_pattern_locator import Place
from tallymark.verification.acceptance.step import Result
from tallymark.verification.acceptance.witness_observation import Seen


class WitnessBox:
    """Records one part at a time: `begin`, then `end`. It puts nothing on its own lines."""

    def __init__(self, box: Box) -> None:
        self.box = box

    def begin(self) -> None:
        """Starts the capture. Raises NoAnswer, PortGone."""
        self.box.sync_clock()
        self._capture = self.box.capture(send=True)
        self._edges: list[Edge] = []

    def look(self) -> list[int]:
        """The levels at each change until now; takes the edges that came in."""
        self.box.levels()  # what was sent before the answer has come in, too
        self._edges += self._capture.fetch()
        return [edge.levels for edge in self._edges]

    def end(self) -> Seen:
        """Ends the capture. Raises NoAnswer, PortGone."""
        end_us = self.box.levels().time_us
        self._capture.stop()
        self._edges += self._capture.fetch()
        self._edges += self._capture.fetch()  # what came in beside the last answer
        self.box.sync_clock()
        board = self.box.identity.board
        kept = self._edges[:1] + [
            now for before, now in pairwise(self._edges) if now.levels != before.levels
        ]
        return Seen(
            tuple(float(edge.time_us) for edge in kept),
            tuple(edge.levels for edge in kept),
            float(max(end_us, kept[-1].time_us)),
            limits.WITNESS_LATE_US.get(board, limits.NANO_LATE_US),
            limits.WITNESS_TOLERANCE.get(board, limits.RESONATOR),
            self._capture.lost,
        )


def latency(
    box: Box, markers: Sequence[Marker], witness: Box, seen: Seen, place: Place | None
) -> Result:
    """Edge times that the box told, against those that the witness saw, on the host's clock."""
    result = Result()
    if place is None:
        return result.not_known("The pattern was not found among what the witness saw.")
    off, bound, waits, unseen = 0.0, 0.0, [], 0
    for marker in markers:
        assert marker.box_time_us is not None
        told = box.to_host_time(marker.box_time_us)
        wanted = place.to_seen(marker.box_time_us)
        index = seen.index_after(wanted - 1_000)
        if index == len(seen.times_us) or abs(seen.times_us[index] - wanted) > 2_000:
            unseen += 1
            continue
        saw = witness.to_host_time(round(seen.times_us[index]))
        off = max(off, abs(told.seconds - saw.seconds) * 1e6)
        bound = max(bound, (told.bound_s + saw.bound_s) * 1e6 + seen.late_us)
        waits.append((saw.seconds - marker.sent_s) * 1e6)
    if not waits:
        return result.not_known("The witness saw none of the edges.")
    result.figure(off, bound, limits.TOLD)
    result.information("from the call to the edge, median", median(waits), bound, "µs")
    result.information("from the call to the edge, longest", max(waits), bound, "µs")
    if unseen:
        result.notes.append(f"{unseen} of {len(markers)} edges were not seen.")
    return result
