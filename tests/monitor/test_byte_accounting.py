"""Random byte streams: the log has each byte once, and 'as planned' is never wrong."""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st
from simulated_program import CODES, WIDTH_US, Watched, ferry_plan

from tallymark.monitor.interval_findings import SLACK

LEAST_US = 8_000
SAMPLES_US = 1_500

codes = st.sampled_from([0, 0, 9, 17, 36, 9, 17, 36, 44, 255])
pauses = st.sampled_from([0, 1, 500, 3_600, 4_999, 5_000, 5_001, 6_400, 8_000, 20_000])
sent = st.lists(st.tuples(codes, pauses), max_size=12)
# Whole sessions that may well be as planned, so that both verdicts are seen.
orderly = st.lists(
    st.tuples(st.sampled_from([9, 17, 36]), st.sampled_from([5_000, 4_000, 3_400])), max_size=4
).map(lambda pairs: [each for code, us in pairs for each in ((code, us), (0, 15_000))])


@dataclass
class Truth:
    """What the program did, as its maker knows it: (code, when) of each byte."""

    sent: list[tuple[int, int]]
    mode: str
    gap_us: int

    def as_planned(self, counts: dict[str, int]) -> bool:
        """Written independently of the comparison."""
        events = [(code, when) for code, when in self.sent if code]
        came = Counter(code for code, _ in events)
        if came != Counter({CODES[name]: count for name, count in counts.items()}):
            return False
        if self.mode == "off":
            return not self.sent
        for (_, before), (_, when) in pairwise(events):
            if when - before < LEAST_US * (1 - SLACK):
                return False
        return all(self._is_right(at) for at, (code, _) in enumerate(self.sent) if code)

    def _is_right(self, at: int) -> bool:
        _, when = self.sent[at]
        until, by_zero = None, False
        if at + 1 < len(self.sent):
            code, until = self.sent[at + 1]
            by_zero = code == 0 and self.mode != "pulse"
            if code == 0 and self.mode == "pulse":
                later = [other for code, other in self.sent[at + 1 :] if code]
                until = later[0] if later else None
        if self.mode == "set":
            return by_zero and until is not None and abs(until - when - WIDTH_US) <= SAMPLES_US
        if by_zero and until is not None and until - when < WIDTH_US:
            return abs(until - when - WIDTH_US) <= SAMPLES_US
        following = [other for code, other in self.sent[at + 1 :] if code]
        return not following or following[0] - when >= WIDTH_US + self.gap_us


@settings(max_examples=150, deadline=None)
@given(
    stream=sent | orderly,
    mode=st.sampled_from(["off", "pulse", "set", "limited"]),
    gap_us=st.sampled_from([0, 0, 700]),
    overlap=st.sampled_from(["cut", "cut", "refuse"]),
    fitting=st.booleans(),
)
@example([(9, 5_000), (0, 10_000)], "set", 0, "cut", True)
@example([(9, 1_000), (36, 500), (0, 5_000)], "limited", 700, "cut", True)
@example([], "pulse", 0, "cut", True)
def test_every_byte_is_accounted_for_and_as_planned_is_never_wrong(
    stream, mode, gap_us, overlap, fitting
):
    came = Counter(code for code, _ in stream)
    counts = {name: came[code] if fitting else 1 for name, code in CODES.items()}
    plan = ferry_plan(counts, least_interval_us=LEAST_US)
    with tempfile.TemporaryDirectory() as folder:
        box_settings = {"byte_mode": mode, "gap_us": gap_us, "overlap": overlap}
        with Watched(Path(folder) / "log.jsonl", plan, settings=box_settings) as watched:
            device = watched.box.port.device
            device.edges()
            begun = device.time_us
            arrivals = []
            for code, pause_us in stream:
                arrivals.append((code, device.time_us))
                watched.send(code, pause_us=pause_us)
            watched.wait(10_000)
            edges = {(at, levels) for at, levels in device.edges() if at >= begun}
        data = watched.data()
        found = watched.compared()
    # Each byte once, and those that went out when the box got them are there at that time.
    assert Counter(marker.code for marker in data.markers) == Counter(c for c, _ in arrivals)
    assert not data.missing
    at_once = [
        (marker.code, marker.box_us)
        for marker in data.markers
        if not marker.delay_us and marker.why != "cancelled"
    ]
    assert not Counter(at_once) - Counter(arrivals)
    # What is said to have gone out was on the lines, unless it changed nothing there.
    out = [m for m in data.markers if m.fate == "done" and m.code]
    times = Counter(marker.box_us for marker in out)
    for marker in out:
        if times[marker.box_us] == 1 and not any(
            before.code == marker.code for before in out if before is not marker
        ):
            assert (marker.box_us, marker.code) in edges
    assert found.clean == Truth(arrivals, mode, gap_us).as_planned(counts)
    found.as_data()
