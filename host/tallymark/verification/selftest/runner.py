"""Drives a box through its self-test, and puts what came back together.

Every code that the lines in use allow is set and read back twice, once upwards and once
downwards; then pulses go out on single lines, on all but one, and on all of them in many widths.
The box's own capture times each edge. The lines are at idle when it ends, however it ends.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timezone
from statistics import median

from tallymark.box.box import Box
from tallymark.box.capture import Capture
from tallymark.box.link.marker import Marker
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Edge, SequenceState
from tallymark.box.wire.protocol_enumerations import Request, SequencePhase
from tallymark.common.errors import TallymarkError
from tallymark.common.formatting import time_text
from tallymark.verification.selftest import timing
from tallymark.verification.selftest.report import Latency, Report
from tallymark.verification.selftest.report_builder import Observations, judge
from tallymark.verification.selftest.timing import Driven

Progress = Callable[[str, int, int], None]
"""Called with what is being done, and how many steps of how many are done."""

LONGEST_SETTLE_S = 0.1
"""An input that needs longer than this to follow counts as one that doesn't follow."""
LEAST_SETTLE_S = 0.0005
WALK_WIDTH_US = 2_000
WIDTHS_US = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1_000, 2_000, 5_000, 10_000, 20_000, 50_000)
_LONG_GAP_US = 10_000  # with a longer gap one pass has to do


class SelftestStopped(TallymarkError):
    """The self-test could not be run, or had to stop, because the lines were not its own."""


def run(box: Box, progress: Progress | None = None) -> Report:
    """Tests a box, its wiring and its times, with the readback connected to the lines.

    Every line moves: nothing that takes markers should be recording meanwhile. Needs no more than
    a few seconds. Changes no settings, but for the strobe: it is off meanwhile, so that its line is
    tested like the others, which empties the sequence; it is as before when the test ends.

    Raises SelftestStopped if a sequence plays or something else moves the lines meanwhile;
    NoAnswer, PortGone, Refused.
    """
    settings = box.settings.read()
    test = _Run(box, replace(settings, strobe=0), progress or (lambda _text, _done, _total: None))
    if not settings.strobe:
        return test.run()
    test.need_no_sequence()
    box.set(0).wait()
    box.settings.write(replace(settings, strobe=0))
    try:
        return test.run()
    finally:
        box.settings.write(settings)


class _Run:
    def __init__(self, box: Box, settings: Settings, progress: Progress) -> None:
        self._box = box
        self._progress = progress
        self._settings = settings
        self._idle = self._settings.idle_levels
        mask = self._settings.lines
        self._lines = [line for line in range(8) if mask >> line & 1]
        self._codes = [code for code in range(256) if not code & ~mask]
        self._all = mask
        self._driven: list[Driven] = []
        self._edges: list[Edge] = []
        self._markers: list[Marker] = []
        self._settle_s = LONGEST_SETTLE_S
        self._tables: list[dict[int, int]] = []

    def need_no_sequence(self) -> None:
        """Raises SelftestStopped if a sequence plays."""
        state = SequenceState.parse(self._box.link.ask(Request.SEQUENCE_STATE).body)
        if state.phase in (SequencePhase.PLAYING, SequencePhase.WAITS):
            raise SelftestStopped(
                "A sequence is playing, or waits for its time, and a self-test would disturb it. "
                "Nothing was changed. "
                "Stop the sequence, then test again."
            )

    def run(self) -> Report:
        """All of it. The lines are at idle afterwards."""
        box = self._box
        self.need_no_sequence()
        started = datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")
        begin_s = box.pacing.now()
        box.sync_clock()
        capture = box.capture(send=True)
        try:
            end_us, pulses = self._drive(capture)
        except BaseException:
            with contextlib.suppress(TallymarkError):
                self._end(capture)
            raise
        self._end(capture)
        self._edges.sort(key=lambda edge: edge.time_us)
        return judge(
            Observations(
                identity=box.identity,
                port=box.port_name,
                settings=self._settings,
                tables=self._tables,
                driven=self._driven,
                edges=self._edges,
                steady_end_us=end_us,
                pulses=pulses,
                settle_us=round(self._settle_s * 1e6),
                latency=self._latency(),
                edges_lost=capture.lost,
                started_utc=started,
                seconds=box.pacing.now() - begin_s,
            )
        )

    def _drive(self, capture: Capture) -> tuple[int, list[tuple[int, int]]]:
        """Drives everything. Returns the end of the steady part, and (start, width) of pulses."""
        self._find_settling_time(capture)
        order = self._codes
        passes = 1 if self._settings.gap_us > _LONG_GAP_US else 2
        for number in range(passes):
            text = "Setting every code and reading it back"
            self._tables.append(self._scan(order, text, number * len(order), passes * len(order)))
            order = order[::-1]
        walk = [1 << line for line in self._lines]
        walk += [code for one in walk if (code := self._all ^ one)]
        for done, code in enumerate(walk):
            self._progress("Walking ones and zeros", done, len(walk))
            self._pulse(code, self._width_that_fits(WALK_WIDTH_US))
        end_us = self._box.levels().time_us
        pulses = []
        widths = [width for width in WIDTHS_US if width >= self._box.identity.least_width_us]
        for done, width in enumerate(widths):
            self._progress("Measuring pulse widths", done, len(widths))
            pulses.append((self._pulse(self._all, width, steady=False), width))
        self._progress("Measuring pulse widths", len(widths), len(widths))
        self._edges += capture.fetch()
        return end_us, pulses

    def _end(self, capture: Capture) -> None:
        """Takes the lines to idle and the last edges out of the box."""
        self._box.set(0).wait()
        capture.stop()
        # Edges that the box sent before it stopped come in beside the answer: look twice.
        self._edges += capture.fetch()
        self._edges += capture.fetch()

    def _find_settling_time(self, capture: Capture) -> None:
        """Watches all lines go out and back, to learn how long the slowest input takes."""
        slowest = 0
        for done, code in enumerate((0, self._all, 0)):
            self._progress("Measuring the delay of the inputs", done, 3)
            self._set(code)
            self._rest(LONGEST_SETTLE_S)
            edges = self._fetch(capture)
            if done:
                after = self._driven[-1]
                slowest = max(slowest, timing.slowest_us(after, 2**64, edges))
        self._settle_s = max(LEAST_SETTLE_S, slowest * 1.5e-6)

    def _fetch(self, capture: Capture) -> list[Edge]:
        self._box.levels()  # what the box sent before the answer has come in, too
        edges = capture.fetch()
        self._edges += edges
        return edges

    def _scan(self, codes: list[int], text: str, before: int, total: int) -> dict[int, int]:
        """Levels read back by levels driven."""
        table = {}
        for done, code in enumerate(codes):
            self._progress(text, before + done, total)
            self._set(code)
            self._rest(self._settle_s)
            levels = self._box.levels()
            self._check_outputs(levels.outputs, code)
            table[levels.outputs] = levels.readback
        return table

    def _check_outputs(self, outputs: int, code: int) -> None:
        if outputs == code ^ self._idle:
            return
        limit = self._settings.hold_limit_us
        why = (
            f"Perhaps the hold limit of {time_text(limit)} ended it, or something"
            if limit
            else "Something"
        )
        raise SelftestStopped(
            f"Code {code} was set, but the box has code {outputs ^ self._idle} on its lines. {why} "
            "else sends markers, for instance on the byte input. The self-test was stopped and "
            "says nothing about the wiring. Stop the other program, then test again."
        )

    def _set(self, code: int) -> None:
        marker = self._box.set(code).wait()
        self._note_drive(marker, code)

    def _pulse(self, code: int, width_us: int, steady: bool = True) -> int:
        """Puts out a pulse and waits until the inputs have followed its end; returns its start."""
        marker = self._box.pulse(code, width_us).wait()
        self._markers.append(marker)
        start_us = marker.box_time_us or 0
        if steady:
            self._note_drive(marker, code)
            self._driven.append(Driven(start_us + width_us, self._idle))
        self._rest(width_us * 1e-6 + self._settle_s)
        return start_us

    def _note_drive(self, marker: Marker, code: int) -> None:
        time_us = marker.box_time_us or 0
        if marker.delay_us:  # a gap was kept: the lines were at idle meanwhile
            self._driven.append(Driven(time_us - marker.delay_us, self._idle))
        self._driven.append(Driven(time_us, code ^ self._idle))

    def _width_that_fits(self, width_us: int) -> int:
        """A width in which every input has time to follow."""
        return max(width_us, round(self._settle_s * 1e6), self._box.identity.least_width_us)

    def _rest(self, seconds: float) -> None:
        """Lets time pass; keeps talking to the box if it would end a held code otherwise."""
        limit_s = self._settings.hold_limit_us * 1e-6
        end = self._box.pacing.now() + seconds
        while limit_s and (left := end - self._box.pacing.now()) > limit_s / 3:
            self._box.pacing.sleep(min(left, limit_s / 3))
            self._box.link.ask(Request.CLOCK)
        self._box.pacing.sleep(max(0.0, end - self._box.pacing.now()))

    def _latency(self) -> Latency | None:
        """From the call to the edge, of all pulses."""
        times = [
            (self._box.to_host_time(marker.box_time_us), marker.sent_s, marker.delay_us or 0)
            for marker in self._markers
            if marker.box_time_us is not None
        ]
        if not times:
            return None
        found = [max(0.0, (time.seconds - sent) * 1e6 - delay) for time, sent, delay in times]
        return Latency(
            len(found),
            round(min(found), 1),
            round(median(found), 1),
            round(max(found), 1),
            round(max(time.bound_s for time, _, _ in times) * 1e6, 1),
        )

