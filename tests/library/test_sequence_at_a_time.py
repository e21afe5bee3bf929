"""A sequence that starts at a host time: when it plays, what is told, and what takes it back."""

from __future__ import annotations

from dataclasses import replace

import pytest
from log_call_recorder import Log
from lossy_port import LossyPort

from tallymark import BadValue, Box, Outcome, Refused
from tallymark.box.wire.protocol_enumerations import (
    Capability,
    Notice,
    Reason,
    Request,
    SequencePhase,
)

STEPS = [(1, 1000), (2, 2000), (0, 3000), (4, 4000)]


def edges(lossy: LossyPort) -> list[tuple[int, int]]:
    return [tuple(edge) for edge in lossy.inner.device.edges()]


@pytest.fixture
def box(lossy):
    with Box(lossy) as box:
        lossy.inner.device.edges()
        yield box


def ideal(begin: int, repeats: int) -> list[tuple[int, int]]:
    found = []
    for code, hold in STEPS * repeats:
        found.append((begin, code))
        begin += hold
    return [*found, (begin, 0)]


@pytest.mark.parametrize("way", ["at", "after_s"])
def test_it_starts_at_its_host_time(box, lossy, way):
    sequence = box.sequence(STEPS, 3)
    at = box.pacing.now() + 0.25
    marker = sequence.start(**{way: at if way == "at" else 0.25})
    assert marker.outcome is Outcome.ACCEPTED
    state = sequence.state()
    assert (state.phase, state.started_us, state.played) == (SequencePhase.WAITS, marker.at_us, 0)
    assert edges(lossy) == []
    marker.wait()
    assert abs(marker.host_time.seconds - at) <= marker.host_time.bound_s + 1e-3 * (way != "at")
    assert marker.box_time_us == marker.at_us
    state = sequence.wait()
    assert (state.phase, state.played) == (SequencePhase.ENDED, 12)
    assert edges(lossy) == ideal(marker.at_us, 3)


def test_waiting_for_its_end_waits_for_its_begin_first(box):
    sequence = box.sequence(STEPS)
    marker = sequence.start(after_s=3.0)
    assert sequence.wait(timeout=0.5).phase is SequencePhase.WAITS
    assert sequence.wait().phase is SequencePhase.ENDED
    assert marker.outcome is Outcome.DONE


def test_too_late_is_refused_and_nothing_plays(box, lossy):
    sequence = box.sequence(STEPS)
    for after_s in (0.0, -1.0, 50e-6):
        with pytest.raises(Refused) as refused:
            sequence.start(after_s=after_s)
        assert refused.value.reason == Reason.LATE
    assert sequence.state().phase is SequencePhase.LOADED
    assert edges(lossy) == []


def test_what_is_wrong_is_not_sent(box, lossy):
    sequence = box.sequence(STEPS)
    sent = len(lossy.requests)
    for arguments, why in (
        ({"at": 1.0, "after_s": 1.0}, "not both"),
        ({"after_s": 3600.0}, "30 minutes ahead at most"),
        ({"after_s": 1000.0, "bound_s": 1e-6}, "not within"),
    ):
        with pytest.raises(BadValue, match=why):
            sequence.start(**arguments)
    box.identity = replace(box.identity, capabilities=int(Capability.AHEAD))
    with pytest.raises(BadValue, match="can't start a sequence at a time"):
        sequence.start(after_s=1.0)
    assert len(lossy.requests) == sent


@pytest.mark.parametrize("way", ["cancel", "cancel all", "stop"])
def test_it_is_taken_back(box, lossy, way):
    sequence = box.sequence(STEPS)
    marker = sequence.start(after_s=0.5)
    if way == "stop":
        assert sequence.stop().phase is SequencePhase.LOADED
    else:
        assert box.cancel(marker if way == "cancel" else None) == [marker]
    with pytest.raises(Refused) as refused:
        marker.wait()
    assert (refused.value.reason, refused.value.request) == (
        Reason.CANCELLED, Request.SEQUENCE_START_AT
    )
    box.pacing.sleep(1.0)
    assert edges(lossy) == []
    assert sequence.start().box_time_us is not None


def test_markers_in_its_way_are_refused_and_others_go_out(box):
    sequence = box.sequence(STEPS)
    start = sequence.start(after_s=0.5)
    assert box.pulse(8, 1000).wait().outcome is Outcome.DONE
    for refused in (box.pulse(8, 1000, after_s=0.2), box.pulse(8, 1000, after_s=0.9)):
        with pytest.raises(Refused) as error:
            refused.wait()
        assert error.value.reason == Reason.TAKEN
    with pytest.raises(Refused) as error:
        sequence.start(after_s=0.7)
    assert error.value.reason == Reason.LINES_BUSY
    start.wait()
    with pytest.raises(Refused) as error:
        box.pulse(8).wait()
    assert error.value.reason == Reason.PLAYING


def test_its_edge_is_asked_for_where_the_notice_was_lost(box, lossy):
    sequence = box.sequence(STEPS)
    lossy.lose_answer = lambda message: message[0] == Notice.MARKER_EDGE
    marker = sequence.start(after_s=0.2).wait()
    assert marker.outcome is Outcome.DONE
    assert marker.box_time_us == marker.at_us


def test_the_log_has_no_sequence(box):
    box.log = log = Log()
    sequence = box.sequence(STEPS)
    sequence.start(after_s=0.2).wait()
    sequence.wait()
    assert log.lines == []
