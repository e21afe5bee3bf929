"""Sequences: every step at its time, counted rightly, stopped at once."""

from __future__ import annotations

import pytest

from tallymark import BadValue, Refused
from tallymark.box.wire.protocol_enumerations import Reason, SequencePhase

STEPS = [(1, 5000), (0, 2000), (2, 7000), (255, 3000)]


def test_each_step_begins_at_its_time(rig, box):
    sequence = box.sequence(STEPS, repeats=5)
    sequence.start()
    state = sequence.wait()
    assert (state.phase, state.played) == (SequencePhase.ENDED, 20)
    edges = rig.edges()
    expected = [0.0]
    for _, hold in STEPS * 5:
        expected.append(expected[-1] + hold)
    assert [edge.levels for edge in edges] == [code for code, _ in STEPS] * 5 + [0]
    times = [edge.time_us - edges[0].time_us for edge in edges]
    assert times == pytest.approx(expected, abs=1.0)
    assert state.ended_us - state.started_us == expected[-1]


def test_markers_are_refused_while_it_plays(rig, box):
    sequence = box.sequence(STEPS, repeats=0)
    sequence.start()
    for ask in (lambda: box.pulse(1).wait(), lambda: box.set(0).wait()):
        with pytest.raises(Refused) as refused:
            ask()
        assert refused.value.reason is Reason.PLAYING
    sequence.stop()


def test_stop_takes_the_lines_to_idle_and_says_how_far_it_came(rig, box):
    sequence = box.sequence([(7, 10_000), (1, 10_000)], repeats=0)
    sequence.start()
    box.pacing.sleep(0.055)
    state = sequence.stop()
    assert state.phase is SequencePhase.STOPPED
    assert state.played == 6
    assert box.levels().outputs == 0
    assert len(rig.edges()) == 7
    box.pulse(1, 1000).wait()


def test_too_many_steps_are_refused_before_anything_is_sent(box):
    with pytest.raises(BadValue, match=f"1 to {box.identity.steps} steps"):
        box.sequence([(1, 1000)] * (box.identity.steps + 1))


def test_the_longest_sequence(rig, box):
    steps = [(1 + n % 2, 1000) for n in range(box.identity.steps)]
    sequence = box.sequence(steps)
    sequence.start()
    assert sequence.wait().played == len(steps)
    edges = rig.edges()
    assert len(edges) == len(steps) + 1
    assert edges[-1].time_us - edges[0].time_us == pytest.approx(1000 * len(steps), abs=1.0)


def test_a_session_signature_is_on_the_pins_of_every_board(rig, box):
    signed = box.sign()
    edges = rig.edges()
    assert [edge.levels for edge in edges] == [255, 0] * 15
    times = [edge.time_us - edges[0].time_us for edge in edges]
    starts = [start * 8_000 for start in signed.signature.starts]
    assert times[::2] == pytest.approx(starts, abs=1.0)
    assert times[1::2] == pytest.approx([start + 32_000 for start in starts], abs=1.0)
    assert signed.pulses == 15
