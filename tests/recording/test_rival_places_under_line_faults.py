"""A place with some right codes against another one at which one fault of the lines alters all."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from tallymark.recording import Comparison, compare
from tallymark.recording.fates import ALTERED, ARRIVED, MISSED, UNKNOWN
from tallymark.recording.recording_data import RecordedEvents
from tallymark.recording.sent_markers import Sent

AT_US = 3e6 + 0.8e6 * np.arange(24)


def compared(sent_code: np.ndarray, seen: np.ndarray, **status: Any) -> Comparison:
    """A recording of events; code 0 makes none. status: what is known of a status channel."""
    count = len(sent_code)
    sent = Sent(
        AT_US[:count],
        sent_code.astype(np.uint8),
        np.full(count, 5000.0),
        np.ones(count, bool),
        np.arange(1, count + 1),
        np.full(count, -1),
        [],
    )
    rows = np.flatnonzero(seen)
    sample = np.ceil(AT_US[rows] / 1000).astype(np.int64)
    recorded = RecordedEvents(
        Path("made-up"),
        "event list",
        "value",
        1000.0,
        sample,
        sample * 1000.0,
        seen[rows].astype(np.uint8),
        np.zeros(len(rows), np.int64),
        0.0,
        AT_US[-1] + 2e6,
        **status,
    )
    return compare(sent, recorded)


def test_codes_in_turn_with_one_inverted_line_can_be_two_places() -> None:
    """Six codes in turn, line 1 inverted: two places later two codes of six are right."""
    sent = 1 + np.arange(20) % 6
    result = compared(sent, sent ^ 2)
    events = np.flatnonzero(sent ^ 2)
    wrong = result.fate != UNKNOWN
    wrong[events] &= result.partner[events] != np.arange(len(events))
    silent = np.setdiff1d(np.arange(20), events)
    wrong[silent] &= np.isin(result.fate[silent], (ARRIVED, ALTERED))
    assert not wrong.any()


def test_altered_codes_of_another_kind_leave_the_place_known() -> None:
    """No fault of the lines makes another place of random codes as good."""
    sent = np.random.default_rng(5).integers(1, 64, 24)
    seen = sent.copy()
    seen[[3, 9, 14, 20]] ^= 1 << np.array([0, 3, 1, 5])
    seen[seen == 0] = sent[seen == 0]
    result = compared(sent, seen)
    assert not (result.fate == UNKNOWN).any()
    assert np.count_nonzero(result.fate == ALTERED) == np.count_nonzero(seen != sent)


def test_a_line_that_never_moves_leaves_the_place_known() -> None:
    """What it makes missing speaks against a place where two swapped lines would do."""
    rare = np.isin(np.arange(24), (4, 5, 15))
    sent = np.where(rare, 2, 1)
    result = compared(sent, np.where(rare, 2, 0), active="high", never_active=0xFD)
    assert (result.fate[rare] == ARRIVED).all()
    assert (result.fate[~rare] == MISSED).all()
