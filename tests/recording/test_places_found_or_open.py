"""Places in the log that are found, or left open, where a simpler search states a wrong one."""

from __future__ import annotations

import pytest
from generator.cases import make
from generator.judge import as_inputs, judge

from tallymark.recording import compare
from tallymark.recording.progress import Progress


@pytest.mark.parametrize(
    ("seed", "design", "damage", "least"),
    [
        # The first four events lie at a place of their own, before a gap.
        (501002083, "constant", "block_lost", 55),
        # Two thirds of a second were written twice, and a marker with them.
        (501002585, "constant", "repeated_samples", 50),
        # Another device sends more events than the box.
        (88001264460, "oddball", "another_device", 55),
        (501003160, "constant_blocks", "another_device", 25),
        # Two lines are exchanged whose codes are equally frequent.
        (501001658, "flicker", "swapped_lines", 240),
        # Stamps come unevenly late, and all markers are alike.
        (20260060852, "one_code", "late_stamps", 480),
        # Nine markers of a fast flicker were written twice.
        (4711014510, "flicker", "repeated_samples", 460),
        # Another device sends as regularly as the box, and as much.
        (4711015346, "oddball", "another_device", 240),
        # The first markers have no answer; those that follow could make more events than there are.
        (20260061509, "cyclic", "unconfirmed_start", 120),
        (20260061078, "one_code", "unconfirmed_start", 30),
        # Nothing is altered; times that are late, or of no box, don't speak for faults of lines.
        (4711015418, "two_intervals", "late_stamps", 30),
        (4711015428, "one_code", "unconfirmed_start", 240),
        # The other session is no second copy of this one: nothing is written twice at such length.
        (4711016013, "constant_blocks", "two_sessions", 480),
    ],
)
def test_the_place_is_known(seed: int, design: str, damage: str, least: int) -> None:
    judged = judge(make(seed, design, damage))
    assert not judged.holds_false
    assert judged.right >= least


@pytest.mark.parametrize("seed", [501002812, 502002689])
def test_stimuli_at_a_constant_interval_do_not_prove_the_session(seed: int) -> None:
    assert not judge(make(seed, "answers", "foreign")).holds_false


def test_times_that_foretell_themselves_do_not_prove_the_session() -> None:
    assert judge(make(9001028028, "trials", "foreign")).session != "false"


@pytest.mark.parametrize(
    ("seed", "design"), [(9001028528, "flicker"), (606002820, "one_code"), (606003433, "flicker")]
)
def test_two_sessions_alike_in_one_recording_are_left_open(seed: int, design: str) -> None:
    judged = judge(make(seed, design, "two_sessions"))
    assert not judged.holds_false
    assert judged.session == "ok"


def test_two_sessions_whose_beats_almost_coincide_are_left_open() -> None:
    """Each of the two fits; a place of one of them is no worse for a clock that was off at first,
    and no better for samples that would have been inserted again and again."""
    judged = judge(make(71004027, "one_code", "two_sessions"))
    assert judged.unknown == 480


def test_a_stray_event_where_a_marker_is_missing_is_left_open() -> None:
    assert not judge(make(9001028268, "frames", "missing, drop, extra")).holds_false


def test_what_a_gap_left_of_a_pulse_is_not_called_extra() -> None:
    assert not judge(make(555002039, "oddball", "gap, unconfirmed, altered")).holds_false


def test_blocks_of_the_same_length_do_not_prove_the_session() -> None:
    assert judge(make(501002316, "constant_blocks", "foreign")).session == "ok"


def test_a_single_event_before_a_gap_is_left_open() -> None:
    assert not judge(make(88001264897, "constant", "block_lost")).holds_false


def test_a_place_that_only_exchanged_lines_would_explain_better_is_left_open() -> None:
    assert not judge(make(4711015063, "constant_blocks", "swapped_lines")).holds_false


def test_progress_is_shown_with_other_first_rates_and_never_goes_back() -> None:
    """The first rates explain little here; each set of rates tells its share four times at most."""
    shares: list[float] = []
    sent, recorded = as_inputs(make(501001658, "flicker", "swapped_lines"))
    compare(sent, recorded, progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert len([share for share in shares if share < 1]) > 4


def test_each_part_of_the_work_gets_some_of_what_is_left() -> None:
    shares: list[float] = []
    progress = Progress(shares.append)
    for _ in range(3):
        part = progress.part()
        part(0.5)
        part(0.2)
        part(1.0)
    progress(1.0)
    assert shares == pytest.approx([0.35, 0.7, 0.805, 0.91, 0.9415, 0.973, 1.0])


def test_a_last_block_that_did_not_arrive_is_not_taken_for_a_late_start() -> None:
    """Three of four blocks alike are there: perhaps the last is missing, perhaps the first."""
    judged = judge(make(60606182183, "constant_blocks", "runs_missing"))
    assert not judged.holds_false
    assert judged.unknown == 120
