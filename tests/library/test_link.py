"""Lost frames, overdue answers, the window, and a port that goes away. Nothing is ever resent."""

from __future__ import annotations

import collections
import sys
import threading

import pytest
from log_call_recorder import Log
from lossy_port import STEPPED, LossyPort

from tallymark import Box, NoAnswer, Outcome, PortGone, Refused, Unconfirmed
from tallymark.box.wire.protocol_enumerations import Answer, Reason, Request

MARKERS = (Request.PULSE, Request.PULSE_FOR, Request.SET, Request.SEQUENCE_START)


def never_twice(requests) -> bool:
    """Whether each marker was sent once: neighbours in time never share a tag."""
    tags = [tag for kind, tag, _ in requests if kind in MARKERS]
    return all(len(set(tags[at : at + 32])) == len(tags[at : at + 32]) for at in range(len(tags)))


def test_a_lost_answer_is_found_by_asking_for_the_fate(lossy):
    with Box(lossy) as box:
        lossy.lose_answer = lambda frame: frame[0] == Answer.DONE
        marker = box.pulse(5)
        assert marker.wait().outcome is Outcome.DONE
        assert marker.box_time_us == 0
        assert (marker.delay_us, marker.cut_lasted_us, marker.no_edge) == (0, None, False)
        assert box.counters().markers == 1
        assert [kind for kind, _, _ in lossy.requests].count(Request.PULSE) == 1


def test_a_lost_refusal_is_found_by_asking_for_the_fate(lossy):
    with Box(lossy) as box:
        box.settings.write(box.settings.read().changed(overlap="refuse"))
        box.pulse(1, 1_000_000).wait()
        lossy.lose_answer = lambda frame: frame[0] == Answer.REFUSED
        with pytest.raises(Refused) as caught:
            box.pulse(2).wait()
        assert caught.value.reason is Reason.OVERLAP


def test_a_lost_request_is_unconfirmed_and_never_sent_again(lossy):
    with Box(lossy) as box:
        lossy.lose_request = lambda frame: frame[0] == Request.PULSE
        marker = box.pulse(5)
        with pytest.raises(Unconfirmed, match=r"number 1 \(code 5\)") as caught:
            marker.wait()
        assert isinstance(caught.value, TimeoutError)
        assert caught.value.markers == [(1, 5)]
        assert box.unconfirmed == [marker]
        lossy.lose_request = lambda frame: False
        assert box.counters().markers == 0
        assert [kind for kind, _, _ in lossy.requests].count(Request.PULSE) == 1
        for code in range(1, 600 % 256):
            box.pulse(code, 10).wait()  # a tag that never arrived confuses none that follows


def test_a_box_that_falls_silent(lossy):
    with Box(lossy) as box:
        lossy.lose_answer = lambda frame: True
        markers = [box.pulse(code) for code in (1, 2, 3)]
        assert box.wait() == markers
        assert [marker.outcome for marker in markers] == [Outcome.UNCONFIRMED] * 3
        with pytest.raises(NoAnswer, match="'levels'"):
            box.levels()
        lossy.lose_answer = lambda frame: False
        assert box.counters().markers == 3
        assert never_twice(lossy.requests)


def test_a_timeout_of_ones_own(lossy):
    with Box(lossy) as box:
        lossy.lose_answer = lambda frame: True
        marker = box.pulse(5)
        with pytest.raises(Unconfirmed, match="may still come"):
            marker.wait(0.01)
        assert marker.outcome is Outcome.OPEN
        lossy.lose_answer = lambda frame: False
        assert marker.wait().outcome is Outcome.DONE


def test_a_thousand_markers_on_a_bad_link(lossy):
    count = collections.Counter()
    with Box(lossy) as box:
        lossy.lose_request = lambda frame: frame[0] in MARKERS and len(lossy.requests) % 97 == 0
        lossy.lose_answer = lambda frame: (
            frame[0] == Answer.DONE and count.update("n") is None and count["n"] % 41 == 0
        )
        markers = []
        for number in range(1000):
            markers.append(box.pulse(1 + number % 255, 10))
            box.pacing.sleep(0.0001)
        box.wait()
        done = [marker for marker in markers if marker.outcome is Outcome.DONE]
        lost = [marker for marker in markers if marker.outcome is Outcome.UNCONFIRMED]
        assert len(done) + len(lost) == 1000
        assert lost
        assert box.unconfirmed == lost
        lossy.lose_answer = lossy.lose_request = lambda frame: False
        assert box.counters().markers == len(done)
        assert never_twice(lossy.requests)


@pytest.mark.parametrize(("window", "history"), [(440, 64), (96, 16), (64, 8), (896, 64)])
def test_the_window_is_never_overrun(window, history):
    """With answers held back, unanswered requests stay within the window and the history."""
    sizes: dict[int, int] = {}
    most = {"bytes": 0, "span": 0}

    def sent(message):
        if message[0] in MARKERS:
            sizes[message[1]] = len(message[2]) + 6
            most["bytes"] = max(most["bytes"], sum(sizes.values()))
            most["span"] = max(most["span"], (message[1] - next(iter(sizes))) % 255)
        return False

    def answered(message):
        sizes.pop(message[1], None)
        return False

    def small(message):
        """The identity of a box with less room."""
        kind, tag, body = message
        if kind == Answer.IDENTITY:
            body = body[:16] + window.to_bytes(2, "little") + bytes((history,)) + body[19:]
        return kind, tag, body

    lossy = LossyPort("virtual://")  # in real time, so that pulse() really has to wait
    lossy.change_answer = small
    with Box(lossy) as box:
        assert (box.identity.window, box.identity.history) == (window, history)
        lossy.lose_request, lossy.lose_answer = sent, answered
        device = lossy.inner.device
        device.take = lambda: b""  # the box's answers wait ...
        threading.Timer(0.1, lambda: device.__dict__.pop("take")).start()  # ... for so long
        held = [box.pulse(1, 10).held_back_s for _ in range(300)]
        assert box.wait() == []
        assert min(window - 10, 11 * (history - 3)) <= most["bytes"] <= window
        assert most["span"] <= history - 4  # which leaves tags for two questions
        assert box.counters().markers == 300
        assert held[0] == 0
        assert 0.05 < max(held) < 0.5


def test_a_lost_answer_loses_nothing_of_what_it_told(lossy):
    """How long the cut pulse lasted, how long the marker waited, whether it had an edge."""
    with Box(lossy) as box:
        box.set(5).wait()
        lossy.lose_answer = lambda frame: frame[0] in (Answer.DONE, Answer.DONE_NOTED)
        assert box.pulse(5, 900_000).wait().no_edge
        box.pacing.sleep(0.1)
        cut = box.pulse(6, 1000).wait()
        assert cut.cut_lasted_us > 100_000
        assert not cut.no_edge
        lossy.lose_answer = lambda frame: False
        box.settings.write(box.settings.read().changed(gap_us=300_000))
        box.pulse(1, 1000).wait()
        lossy.lose_answer = lambda frame: frame[0] in (Answer.DONE, Answer.DONE_NOTED)
        box.pacing.sleep(0.05)
        assert 200_000 < box.pulse(2, 1000).wait().delay_us < 300_000


def test_a_frame_that_the_link_repeats_is_not_called_refused(lossy):
    """The first copy went out, but its answer was lost; the second was refused."""
    with Box(lossy) as box:
        lossy.repeat = lambda frame: frame[0] == Request.PULSE
        lossy.lose_answer = lambda frame: frame[0] == Answer.DONE
        marker = box.pulse(5)
        assert marker.wait().outcome is Outcome.DONE
        assert marker.box_time_us == 0
        lossy.lose_answer = lambda frame: False
        assert box.pulse(6).wait().outcome is Outcome.DONE
        assert box.counters().markers == 2
        assert box.link.late_answers == 1  # the second refusal of marker 6


def test_a_lost_question_holds_up_no_marker(lossy):
    with Box(lossy) as box:
        lossy.lose_request = lambda frame: frame[0] == Request.LEVELS
        query = box.link.send_query(Request.LEVELS, b"")
        markers = [box.pulse(1 + n % 255, 10) for n in range(300)]
        assert box.wait() == []
        assert isinstance(query.error, NoAnswer)
        assert box.pacing.now() - query.sent_s < 0.5
        assert max(marker.held_back_s for marker in markers) == 0


def test_a_marker_that_waits_for_its_gap_is_asked_for_and_holds_the_others(lossy):
    with Box(lossy) as box:
        box.settings.write(box.settings.read().changed(gap_us=1_000_000))
        box.pulse(1, 10).wait()
        box.pacing.sleep(0.001)
        waits = box.pulse(2, 10)
        others = [box.pulse(3, 10) for _ in range(60)]
        box.wait()
        assert waits.outcome is Outcome.DONE
        assert waits.delay_us > 990_000
        *refused, held = others
        assert len(refused) == box.identity.history - 4 - 1  # one tag went to the question
        assert {marker.outcome for marker in refused} == {Outcome.REFUSED}
        assert {marker.held_back_s for marker in refused} == {0}
        assert held.outcome is Outcome.DONE
        assert 0.9 < held.held_back_s < 1.01
        assert box.unconfirmed == []
        asked = [body for kind, _, body in lossy.requests if kind == Request.FATE]
        assert len(asked) == len(set(asked))  # each once, though it waits for long


def test_markers_on_their_way_are_not_asked_for(lossy):
    """Their answers come together, one after the other."""
    with Box(lossy) as box:
        device = lossy.inner.device
        device.take = lambda: b""
        markers = [box.pulse(code, 10) for code in (1, 2, 3, 4)]
        del device.take
        box.pacing.sleep(0.01)
        assert [marker.outcome for marker in markers] == [Outcome.DONE] * 4
        assert Request.FATE not in [kind for kind, _, _ in lossy.requests]


def test_a_box_that_answers_nothing_any_more(lossy):
    """Not one tag is used again, since its late answer could be taken for a new one."""
    with Box(lossy) as box:
        lossy.lose_answer = lambda frame: True
        before = len(lossy.requests)
        with pytest.raises(PortGone, match="no longer answers"):
            collections.deque(box.pulse(1, 10) for _ in range(300))
        tags = [tag for _, tag, _ in lossy.requests[before:]]
        assert len(tags) == len(set(tags)) == 100
        sent = [marker.tag for marker in box.unconfirmed]
        assert 60 < len(sent) <= len(tags)
        assert never_twice(lossy.requests)


def test_one_thread_sleeps_in_stepped_time_while_others_ask():
    """A second may pass at once, but never between a request and its answer."""
    with Box.open(STEPPED) as box:
        ended = threading.Event()
        switch = sys.getswitchinterval()

        def sleeper() -> None:
            while not ended.is_set():
                box.pacing.sleep(1)

        thread = threading.Thread(target=sleeper)
        sys.setswitchinterval(1e-6)
        try:
            thread.start()
            for _ in range(2000):
                box.levels()
                assert box.pulse(5).wait().outcome is Outcome.DONE
        finally:
            sys.setswitchinterval(switch)
            ended.set()
            thread.join()
        assert box.link.late_answers == 0
        assert box.counters().markers == 2000


def test_queries_go_one_at_a_time(lossy):
    with Box(lossy) as box:
        threads = [
            threading.Thread(target=lambda: [box.link.ask(Request.LEVELS) for _ in range(20)])
            for _ in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert [kind for kind, _, _ in lossy.requests].count(Request.LEVELS) == 80
        assert box.link.late_answers == 0


def test_unplugged_in_the_middle(lossy):
    box = Box(lossy)
    lossy.lose_answer = lambda frame: True
    markers = [box.pulse(code) for code in (7, 8)]
    lossy.inner.unplug()
    with pytest.raises(Unconfirmed, match="was lost"):
        markers[0].wait()
    assert [marker.outcome for marker in markers] == [Outcome.UNCONFIRMED] * 2
    with pytest.raises(PortGone, match=r"number 1 \(code 7\), number 2 \(code 8\)") as caught:
        box.pulse(9)
    assert caught.value.unconfirmed == [(1, 7), (2, 8)]
    with pytest.raises(PortGone):
        box.levels()
    box.close()
    assert [body for kind, _, body in lossy.requests if kind == Request.PULSE] == [b"\7", b"\x08"]


def test_whoever_handled_a_broken_connection_is_not_told_again(lossy):
    with Box(lossy) as box:
        lossy.inner.unplug()
        with pytest.raises(PortGone):
            box.levels()


def test_unplugged_while_a_block_is_left_without_a_look(lossy):
    lossy_answers = lossy

    def session() -> None:
        with Box(lossy_answers) as box:
            lossy_answers.lose_answer = lambda frame: True
            box.pulse(7)
            lossy_answers.inner.unplug()

    with pytest.raises(PortGone, match=r"number 1 \(code 7\)"):
        session()


def test_a_restart_leaves_open_markers_unconfirmed(lossy):
    with Box(lossy) as box:
        lossy.lose_answer = lambda frame: frame[0] == Answer.DONE
        marker = box.pulse(5)
        lossy.inner.power_failure()
        with pytest.raises(Unconfirmed, match=r"started again.*power"):
            marker.wait()
        lossy.lose_answer = lambda frame: False
        box.pulse(6).wait()


def test_noise_between_answers_is_counted(lossy, caplog):
    with Box(lossy) as box:
        with lossy.inner._changed:
            lossy.inner._unread += b"\x05\x01\x00"
        box.pulse(5).wait()
        assert box.link.broken_frames == 0  # the lossy port dropped it as a broken frame


def test_a_marker_log_is_told_of_everything_in_order(lossy):
    log = Log()
    with Box(lossy) as box:
        box.log = log
        box.pulse(5, name="ferry left").wait()
        box.pulse(6, 100).wait()
        box.link.put(Request.PULSE, 0, None, None)
        lossy.inner.byte_input(b"\7\0")
        box.wait()
        lossy.lose_request = lambda frame: frame[0] == Request.SET
        box.set(3)
        box.wait()
        lossy.inner.power_failure()
        lossy.inner.byte_input(b"\x08")  # before any answer has told what time it is
        box.pacing.sleep(0.001)
    assert log.lines == [
        ("sent", 1, 5, 5000, "ferry left"),
        ("answered", 1, 0, None, 0),
        ("sent", 2, 6, 100, None),
        ("answered", 2, 0, 0, 0),
        ("sent", 3, 0, 5000, None),
        ("refused", 3, "value range"),
        ("byte", 7, 0, 5000, 0, None),
        ("byte", 0, 0, None, None, "no marker"),
        ("sent", 4, 3, "stays", None),
        ("unconfirmed", 4),
        ("restarted", "power"),
        ("byte", 8, 0, None, None, None),
    ]
