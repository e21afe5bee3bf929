"""Event lists in which lines are inverted: rows of code 0 that are markers, and rows that are idle.

With an inverted line, idle is no longer 0. A list that tells each change then has a row of one code
behind every marker, and a marker on the inverted line alone has a row of code 0, which says 'idle'
in every other list. A list does not tell which of the two it is.
"""

from __future__ import annotations

import numpy as np

from tallymark.common.formatting import some
from tallymark.recording.comparison_result import Comparison
from tallymark.recording.event_series import nearest
from tallymark.recording.fates import MISSED, UNKNOWN
from tallymark.recording.recording_data import Bools, RecordedEvents

FEWEST = 8  # rows of a marker with one of idle behind them
MOST_OF_THEM = 0.95
NEAR_US = 1_000.0  # beside three grains


def returns_to_idle(recorded: RecordedEvents) -> Bools:
    """Which rows have the one code that follows nearly every row of another one: none if there is
    no such code, or if the recording is no list."""
    none = np.zeros(len(recorded), bool)
    if recorded.active is not None or len(recorded) < 2 * FEWEST:
        return none
    code = int(np.bincount(recorded.code, minlength=256).argmax())
    is_idle: Bools = recorded.code == code
    others = np.flatnonzero(~is_idle[:-1])
    if len(others) < FEWEST or is_idle[others + 1].mean() < MOST_OF_THEM:
        return none
    return is_idle


def about_returns(recorded: RecordedEvents, rows: Bools) -> str:
    """A sentence for the results in which these rows were left out."""
    code = int(recorded.code[rows][0])
    return (
        f"Left out: {some(int(rows.sum()), 'row')} with code {code}, which follows nearly every "
        f"other code: it is taken for idle with a line inverted. If markers had code {code}, they "
        "are among these."
    )


def doubt_at_rows_of_zero(result: Comparison) -> None:
    """A marker that would count as missed and has a row of code 0 at its time may have arrived by
    an inverted line: its fate can't be known. Writes into `result`."""
    zero = result.recorded.zero_us
    gone = np.flatnonzero(result.fate == MISSED)
    if not len(zero) or not len(gone):
        return
    expected = result.expected_us[gone]
    off = np.abs(zero[nearest(zero, expected)] - expected)
    near = gone[off <= 3 * result.alignment.grain_us + NEAR_US]
    if not len(near):
        return
    result.fate[near] = UNKNOWN
    result.doubt[near] = np.maximum(result.doubt[near], 0.5)
    result.why_known[near] = False
    note = (
        f"At the time of {some(len(near), 'marker')} without an event, the list has a row of code "
        "0. Such rows are left out as idle, but with an inverted line they are markers, so that "
        "it can't be known whether these arrived. Check the lines, or record the samples of the "
        "status channel."
    )
    result.recorded.notes.append(note)
