"""Rules of the path one at a time, on inputs made for each."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_sessions import Case

from tallymark.recording.alignment import Alignment, Task, align, hidden_share
from tallymark.recording.comparison import compare
from tallymark.recording.event_series import Train
from tallymark.recording.fates import ARRIVED, UNKNOWN, Verdict

GRAIN = 1_000.0
NONE = Train(np.zeros(0), np.zeros(0, np.uint8))


def _aligned(sent: Train, seen: Train, covers: tuple[float, float]) -> Alignment:
    task = Task(sent, NONE, np.zeros(len(sent)), seen, covers)
    return align(task, GRAIN, fixed=True)


def _session(count: int, interval_us: float = 4e5) -> Train:
    random = np.random.default_rng(3)
    time = 5e6 + np.cumsum(random.uniform(0.6, 1.4, count) * interval_us)
    return Train(np.round(time), random.integers(1, 200, count).astype(np.uint8))


def test_log_time_runs_back_over_few_markers_only() -> None:
    """Ten markers are there twice. Up to seven may lie in samples that were written twice: the
    first three that come again are extra, and none of their markers makes two events."""
    sent = _session(60, 2.5e4)
    again = slice(50, 60)
    copy = sent.time[again] + (sent.time[-1] + 2e4 - sent.time[50])
    seen = Train(np.concatenate((sent.time, copy)), np.concatenate((sent.code, sent.code[again])))
    found = _aligned(sent, seen, (0.0, float(copy[-1]) + 2e6))
    held = found.p_event + found.p_rival + found.p_other
    assert held[:53].max() < 1 + 1e-3
    assert found.p_extra[60:63].min() > 1 - 1e-3
    assert held.sum() < 67 + 1e-3


def test_markers_before_the_first_event_were_missed_or_not_recorded() -> None:
    """A recording that ran from before the first marker, and lacks the first ten of them."""
    sent = _session(60)
    seen = Train(sent.time[10:], sent.code[10:])
    found = _aligned(sent, seen, (0.0, float(sent.time[-1]) + 2e6))
    assert found.p_unknown[:10].max() < 0.01
    assert (found.p_missed + found.p_gap)[:10].min() > 0.99


def test_a_code_that_is_still_on_need_not_show_again() -> None:
    """Marker 1 comes while the same code is on, marker 2 as another is, marker 4 after a pause."""
    sent = Train(np.array([0.0, 5e4, 1e5, 3e5, 9e5]), np.array([7, 7, 8, 9, 9], np.uint8))
    hidden = hidden_share(sent, np.array([5e4, 5e4, 1e4, 1e4, 1e4]), GRAIN)
    assert hidden.tolist() == pytest.approx([0.0, 0.98, 0.0, 0.0, 0.0])


def test_what_may_lie_at_an_unknown_place_is_not_stated() -> None:
    session = Case(markers=40, seed=1).run()
    result = compare(session.sent, session.events)
    assert result.count(ARRIVED) == 40
    alignment = result.alignment
    alignment.p_unknown[12] = 2e-4
    verdict = Verdict(session.sent, session.events, alignment)
    assert verdict.fate[12] == UNKNOWN
    assert np.count_nonzero(verdict.fate == UNKNOWN) == 1
    assert verdict.doubt[12] >= 2e-4


def test_a_place_is_known_only_if_the_fate_of_most_markers_is() -> None:
    session = Case(markers=40, seed=1).run()
    result = compare(session.sent, session.events)
    result.fate[:19] = UNKNOWN
    assert result.certain
    result.fate[:20] = UNKNOWN
    assert not result.certain
