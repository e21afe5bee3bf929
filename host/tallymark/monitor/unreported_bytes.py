"""Whether the box reported every byte that came in on its byte input.

A box whose messages nobody reads in time drops some and counts them, and a byte that it could not
tell of may have been a marker all the same. So its counter of bytes is set beside the number of
bytes that it reported. Answers and notices come in the order in which things happened, so that the
two can be compared to the byte whenever the counters are read; only one that waits for its gap is
counted before it is reported.
"""

from __future__ import annotations

from dataclasses import dataclass

from tallymark.box.box import Box
from tallymark.box.wire.answer_values import Counters
from tallymark.box.wire.protocol_enumerations import Request

_MORE_S = 0.02


@dataclass(frozen=True, slots=True)
class Loss:
    """Bytes that are not in the log, or may not be, and why."""

    count: int
    why: str


class ByteAccounting:
    """The account of one box's byte input, from now on. gap_us: the gap of its settings."""

    def __init__(self, box: Box, gap_us: int) -> None:
        self._box = box
        self._gap_us = gap_us
        self._starts = box.link.starts
        counters, reported = self._ask()
        self._before = counters.input_bytes - reported  # came in before this link was there
        self._missing = 0
        self._input_lost = counters.input_lost

    def look(self) -> list[Loss]:
        """What was lost since the last look, but for one that may wait for its gap.

        Raises PortGone, NoAnswer.
        """
        return self._losses(waiting=1 if self._gap_us else 0)

    def close(self) -> list[Loss]:
        """The last look, after a byte that waits for its gap had the time to go out."""
        self._box.pacing.sleep(self._gap_us * 1e-6 + _MORE_S)
        return self._losses(waiting=0)

    def _losses(self, waiting: int) -> list[Loss]:
        counters, reported = self._ask()
        if self._box.link.starts != self._starts:
            self._starts = self._box.link.starts
            self._before = self._missing = self._input_lost = 0
        losses = []
        missing = counters.input_bytes - reported - self._before
        if missing < 0:  # one that had waited when the account was opened
            self._before += missing
            missing = 0
        missing = max(missing - waiting, 0)
        if missing > self._missing:
            losses.append(
                Loss(
                    missing - self._missing,
                    "the box could not report them, because the computer did not read in time. "
                    "They may have been markers.",
                )
            )
            self._missing = missing
        if counters.input_lost > self._input_lost:
            losses.append(
                Loss(
                    counters.input_lost - self._input_lost,
                    "they were faster than the box could receive, and were not markers.",
                )
            )
            self._input_lost = counters.input_lost
        return losses

    def _ask(self) -> tuple[Counters, int]:
        query = self._box.link.ask(Request.COUNTERS)
        return Counters.parse(query.body), query.bytes_reported
