"""Where a log lacks records, nothing is stated for certain that they could change."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tallymark import markerlog
from tallymark.markerlog.marker_durations import durations
from tallymark.recording import compare
from tallymark.recording.comparison_result import Comparison
from tallymark.recording.overall_outcome import findings
from tallymark.recording.recording_data import RecordedEvents
from tallymark.recording.sent_markers import columns

HEADER: dict[str, Any] = {"marker_log": 1, "host": 5_000_000, "box": {}, "settings": {}}
COUNT = 60
pytestmark = pytest.mark.logs_by_hand
RANDOM = np.random.default_rng(5)
AT = np.cumsum(RANDOM.uniform(700_000, 1_900_000, COUNT)).astype(int)  # box time
CODE = RANDOM.integers(1, 200, COUNT)
OFFSET_US = 40_000_000  # host time minus box time
GAP = range(20, 21)


def records(number: int) -> list[dict[str, Any]]:
    at, host = int(AT[number]), int(AT[number]) + OFFSET_US
    return [
        {"sent": number + 1, "code": int(CODE[number]), "width": 5_000, "host": host - 300},
        {"done": number + 1, "box": at, "host": host, "error": 100},
    ]


def log(path: Path, lacking: range, *instead: dict[str, Any] | bytes, end: bool = True) -> Path:
    """A log of all markers but some."""
    lines: list[dict[str, Any] | bytes] = [HEADER]
    for number in range(COUNT):
        if number == lacking.start:
            lines += instead
        if number not in lacking:
            lines += records(number)
    lines += [{"end": int(AT[-1]) + OFFSET_US + 3_000_000}] if end else []
    path.write_bytes(
        b"".join((x if isinstance(x, bytes) else json.dumps(x).encode()) + b"\n" for x in lines)
    )
    return path


def recorded(extra_at: int | None = None) -> RecordedEvents:
    """All markers in a recording at 1,000 Hz that began 1 s after the box, and perhaps one event
    more."""
    times, codes = AT.tolist(), CODE.tolist()
    if extra_at is not None:
        times, codes = [*times, extra_at], [*codes, 201]
    order = np.argsort(times)
    sample = (np.array(times)[order] + 1_000_000) // 1000
    return RecordedEvents(
        path=Path("ferry.bdf"), format="BDF", channel="Status", rate=1000.0, sample=sample,
        time_us=sample * 1000.0, code=np.array(codes, np.uint8)[order],
        width=np.full(len(sample), 5), start_us=0.0, end_us=float(AT[-1] + 5_000_000),
        always_active=0, never_active=0, active="high",
    )


def lost(first: int, count: int) -> dict[str, Any]:
    since = int(AT[first]) + OFFSET_US - 300
    until = int(AT[first + count]) + OFFSET_US - 300
    return {"lost": 2 * count, "since": since, "host": until, "why": "No space left on device"}


def outcome_of(path: Path, events: RecordedEvents) -> tuple[Comparison, dict[str, str]]:
    result = compare(columns(markerlog.read(path)), events)
    return result, {found.outcome.name: found.text for found in findings(result)}


def test_an_event_that_a_whole_log_does_not_have_is_extra(tmp_path: Path) -> None:
    result, found = outcome_of(log(tmp_path / "log", GAP), recorded())
    assert list(result.extra) == [20]
    assert list(found) == ["extra events"]


@pytest.mark.parametrize("how", ["lost", "damaged"])
def test_an_event_of_a_gap_is_not_called_extra(tmp_path: Path, how: str) -> None:
    instead = lost(GAP.start, len(GAP)) if how == "lost" else b'{"sent":21,"co'
    result, found = outcome_of(log(tmp_path / "log", GAP, instead), recorded())
    assert len(result.extra) == 0
    assert len(result.unlogged) == len(GAP)
    assert set(result.unlogged) <= set(result.unplaced)
    assert list(found) == ["partly known"]
    assert "1 recorded event may be of markers that the log lacks" in found["partly known"]
    if how == "lost":
        assert "2 records are missing in the log" in found["partly known"]
    assert not result.clean


def test_an_event_just_behind_the_gap_may_be_of_a_marker_of_it(tmp_path: Path) -> None:
    """A marker may go out a little later than its record would have been written."""
    path = log(tmp_path / "log", GAP, lost(GAP.start, len(GAP)))
    result, found = outcome_of(path, recorded(int(AT[GAP.stop]) + 350_000))
    assert len(result.extra) == 0
    assert len(result.unlogged) == len(GAP) + 1
    assert list(found) == ["partly known"]


def test_an_event_away_from_the_gap_is(tmp_path: Path) -> None:
    path = log(tmp_path / "log", GAP, lost(GAP.start, len(GAP)))
    result, found = outcome_of(path, recorded(int(AT[50]) + 350_000))
    assert len(result.extra) == 1
    assert len(result.unlogged) == len(GAP)
    assert list(found) == ["extra events", "partly known"]


def test_a_log_without_an_end_knows_nothing_of_what_came_later(tmp_path: Path) -> None:
    ended = columns(markerlog.read(log(tmp_path / "ended", range(0))))
    assert ended.holes == ()
    ((since, until),) = columns(markerlog.read(log(tmp_path / "log", range(0), end=False))).holes
    assert AT[-1] - 2_000_000 < since <= AT[-1]
    assert until == np.inf


def test_most_of_a_log_may_be_lost_and_it_is_no_other_session(tmp_path: Path) -> None:
    gap = range(12, COUNT - 12)
    _, found = outcome_of(log(tmp_path / "log", gap, lost(gap.start, len(gap))), recorded())
    assert "another session" not in found


def test_an_answer_that_the_log_lacks_is_no_marker_that_was_never_confirmed(tmp_path: Path) -> None:
    """The box may have refused it, and the log lost that."""
    refused = records(20)[0]
    gap = lost(20, 1) | {"since": int(AT[20]) + OFFSET_US, "lost": 1}
    path = log(tmp_path / "log", range(20, 21), refused, gap)
    events = recorded()
    keep = np.arange(COUNT) != 20
    for name in ("sample", "time_us", "code", "width"):
        setattr(events, name, getattr(events, name)[keep])
    _, found = outcome_of(path, events)
    assert list(found) == ["partly known"]
    assert "1 marker of which the log lacks the answer" in found["partly known"]


def test_how_long_a_marker_lasted_before_a_gap_is_not_known(tmp_path: Path) -> None:
    data = markerlog.read(log(tmp_path / "log", GAP, lost(GAP.start, len(GAP))))
    lasted = durations(data)
    assert [(one.us, one.ended) for one in lasted[18:21]] == [
        (5_000, "width"), (None, "unknown"), (5_000, "width"),
    ]
