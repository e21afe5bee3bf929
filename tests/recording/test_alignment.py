"""The alignment recovers the exact truth, and says so where the truth can't be known."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from simulated_sessions import Case

from tallymark.recording.alignment import Anchor, Task, align
from tallymark.recording.comparison import compare
from tallymark.recording.comparison_result import AnotherSession, Comparison
from tallymark.recording.event_series import Train
from tallymark.recording.fates import ALTERED, ARRIVED, IN_GAP, MERGED, MISSED, OUTSIDE, UNKNOWN
from tallymark.recording.overall_outcome import outcome
from tallymark.recording.recording_data import Bools, RecordingError
from tallymark.recording.stated_expectations import Expectation
from tallymark.recording.summary import headline

SHAPES: tuple[dict[str, float], ...] = (
    {},
    {"late": 0.3},
    {"early": 0.3},
    {"late": 0.2, "early": 0.2},
    {"gap_s": 1.234},
)
GRID = [
    Case(rate, ppm, faults, intervals, codes, seed=seed, **shape)
    for seed, (rate, ppm, faults, intervals, codes, shape) in enumerate(
        product(
            (256, 1000, 20_000),
            (-200.0, 35.0, 200.0),
            (0.0, 0.01, 0.05),
            ("random", "constant"),
            ("random", "six", "two", "same"),
            SHAPES,
        )
    )
]


def check_truth(case: Case) -> Comparison:
    """The comparison of a case, whose every certain statement must be true."""
    session = case.run()
    result = compare(session.sent, session.events)
    truth = session.truth()
    sure = result.fate != UNKNOWN
    assert np.array_equal(result.partner[sure], truth[sure]), case
    there = sure & (truth >= 0)
    altered = np.zeros(len(truth), bool)
    altered[list(session.done.altered)] = True
    assert np.array_equal(result.fate[there] == ALTERED, altered[there])
    assert np.array_equal(result.fate[there] == ARRIVED, ~altered[there])
    gone = sure & (truth < 0)
    assert np.isin(result.fate[gone], (MISSED, IN_GAP, OUTSIDE, MERGED)).all()
    if result.timing.drift_ppm is not None and sure.sum() >= 10:
        assert abs(result.timing.drift_ppm - case.ppm) <= (result.timing.drift_error_ppm or 0), case
    return result


def unknown_share(result: Comparison, of: Bools | None = None) -> float:
    """Share of the markers (of these) of which nothing is stated."""
    unknown = result.fate == UNKNOWN
    return float((unknown if of is None else unknown[of]).mean())


@pytest.mark.parametrize("rate", [256, 1000, 20_000])
@pytest.mark.parametrize("codes", ["random", "six", "two", "same"])
def test_exact_truth_over_the_grid(rate: int, codes: str) -> None:
    for case in GRID:
        if case.rate == rate and case.codes == codes:
            result = check_truth(case)
            # A last lone event may come from anywhere; what was sent after it stays open.
            unknown = unknown_share(result, case.run().truth() >= 0)
            # Only few codes at a constant rate may leave a doubt about the place as a whole.
            if case.intervals == "random" or case.codes == "random":
                assert unknown <= 0.1, case


def test_identical_codes_at_a_constant_rate_are_known_when_all_is_recorded() -> None:
    for rate, ppm in product((256, 1000, 20_000), (-200.0, 200.0)):
        result = check_truth(Case(rate, ppm, intervals="constant", codes="same"))
        assert unknown_share(result) == 0
        assert result.identity.session == "untold"


@pytest.mark.parametrize("shape", [{"late": 0.3}, {"early": 0.3}, {"late": 0.2, "early": 0.2}])
def test_identical_codes_at_a_constant_rate_with_a_part_missing_are_said_to_be_unknown(
    shape: dict[str, float],
) -> None:
    result = check_truth(Case(intervals="constant", codes="same", **shape))
    assert not result.certain
    assert "can't be known" in headline(result)
    assert result.count(ARRIVED) == 0
    row = len(result.sent) // 2
    rivals = result.rivals(row)
    assert len(rivals) > 1
    assert sum(rival.probability for rival in rivals) <= 1.0 + 1e-6


def test_another_session_is_refused() -> None:
    ours, other = Case(seed=1).run(), Case(seed=2, markers=300).run()
    with pytest.raises(AnotherSession, match="does not fit the marker log") as error:
        compare(ours.sent, other.events)
    assert error.value.identity.session == "foreign"


def test_nothing_to_align() -> None:
    session = Case(markers=20).run()
    empty = session.sent.__class__(
        *(
            getattr(session.sent, n)[:0]
            for n in ("time", "code", "width", "confirmed", "number", "name")
        ),
        [],
    )
    with pytest.raises(RecordingError, match="holds no marker"):
        compare(empty, session.events)


def test_a_pause_of_whole_periods_is_placed_rightly() -> None:
    """Codes that agree by chance on the wrong side of the pause must not move it."""
    case = Case(ppm=35.0, intervals="constant", codes="two", gap_s=1.234, seed=9514)
    assert unknown_share(check_truth(case)) < 0.1


@pytest.mark.parametrize("markers", [2, 3, 5, 12])
@pytest.mark.parametrize("codes", ["random", "same"])
def test_very_short_sessions(markers: int, codes: str) -> None:
    result = check_truth(Case(markers=markers, codes=codes))
    told = result.identity.session == "own"
    assert outcome(result).name == ("all arrived" if told else "session not told")
    result.expectation = Expectation(same_session=True)
    assert result.clean


def test_a_single_marker_can_not_be_aligned() -> None:
    session = Case(markers=1).run()
    with pytest.raises(RecordingError, match="Two of each are needed"):
        compare(session.sent, session.events)


def test_two_gaps_and_a_long_outage_are_followed() -> None:
    session = Case(markers=1200, ppm=50, faults=0.02).run()
    keep = np.ones(len(session.events), bool)
    keep[300:420] = False  # the cable was out
    for first, lost_us in ((600, 2_500_000.0), (900, 3_700_000.0)):  # samples are missing
        gone = session.events.time_us - session.events.time_us[first - 1]
        keep[(gone > 0) & (gone < lost_us)] = False
    shift = np.zeros(len(session.events))
    shift[600:] = -2_500_000.0
    shift[900:] = -6_200_000.0
    truth = session.truth()
    new_place = np.cumsum(keep) - 1
    events = session.events
    events.time_us = (events.time_us + shift)[keep]
    events.code, events.width, events.sample = (
        events.code[keep],
        events.width[keep],
        events.sample[keep],
    )
    result = compare(session.sent, events)
    truth = np.where((truth >= 0) & keep[truth], new_place[truth], -1)
    sure = result.fate != UNKNOWN
    assert sure.mean() > 0.98
    assert np.array_equal(result.partner[sure], truth[sure])
    assert [round(shift / 1e5) for _, shift in result.jumps] == [-25, -37]


def test_a_clock_that_wanders_is_followed() -> None:
    session = Case(rate=20_000, markers=4000, ppm=20).run()
    time = session.events.time_us
    wander = 5_000.0 * np.sin(time / time[-1] * 6.0)  # 5 ms to either side: 50 samples, 25 ppm
    session.events.time_us = np.round((time + wander) / 50) * 50
    result = compare(session.sent, session.events)
    assert result.clean
    assert result.timing.worst_us is not None
    assert result.timing.worst_us < 60.0


@pytest.mark.parametrize("ppm", [-5500.0, -1300.0, 750.0, 2900.0, 5500.0])
@pytest.mark.parametrize("codes", ["random", "two"])
def test_a_box_with_a_ceramic_resonator(ppm: float, codes: str) -> None:
    result = check_truth(Case(ppm=ppm, codes=codes, faults=0.03, late=0.1))
    assert unknown_share(result) < 0.1
    assert result.timing.drift_ppm == pytest.approx(ppm, abs=3)


def test_events_timed_by_software_are_matched_within_a_wider_tolerance() -> None:
    session = Case(markers=500, faults=0.02).run()
    random = np.random.default_rng(3)
    session.events.time_us = session.events.time_us + random.uniform(0, 8_000, len(session.events))
    session.events.rate = None
    truth = session.truth()
    result = compare(session.sent, session.events)
    sure = result.fate != UNKNOWN
    assert np.array_equal(result.partner[sure], truth[sure])
    assert sure.mean() > 0.95


def test_unconfirmed_markers_are_looked_for() -> None:
    session = Case(markers=300, faults=0.05).run()
    truth = session.truth()
    session.sent.confirmed[::10] = False
    session.sent.time[::10] += 3_000.0  # the host's clock only
    result = compare(session.sent, session.events)
    sure = result.fate != UNKNOWN
    assert np.array_equal(result.partner[sure], truth[sure])
    assert sure[~session.sent.confirmed].mean() > 0.9
    assert sure.mean() > 0.9


def test_anchors_place_what_repeats() -> None:
    """A constant interval, one code, a late start: with two known places every marker is known."""
    session = Case(intervals="constant", codes="same", late=0.3).run()
    truth = session.truth()
    there = np.flatnonzero(truth >= 0)
    places = tuple(
        Anchor(session.sent.time[row] + by, session.events.time_us[truth[row]] + by, 5_000.0)
        for row, by in ((there[0], -5e4), (there[-1], 5e4))
    )
    grain = session.events.sample_us
    sure = Train(session.sent.time, session.sent.code)
    events = Train(session.events.time_us, session.events.code)
    covers = (session.events.start_us, session.events.end_us)
    task = Task(sure, Train(np.zeros(0), sure.code[:0]), np.zeros(len(sure)), events, covers)
    without, found = align(task, grain), align(replace(task, anchors=places), grain)
    assert (without.p_event < 1 - 1e-4).all()
    assert without.identity.session == "untold"
    assert np.array_equal(found.event[there], truth[there])
    assert (found.p_event[there] > 1 - 1e-4).all()
    assert (found.p_outside[truth < 0] > 1 - 1e-4).all()
    assert found.identity.session == "own"
