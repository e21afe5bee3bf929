"""The client in C where the box starts again unheard, another program takes it, nothing answers, or
notices are missing."""

from __future__ import annotations

import os
import threading
import time
import tty

import pytest
from c_library import DONE, UNCONFIRMED, WHYS, ClientError, codes_of

from tallymark.box.settings import Settings
from tallymark.box.wire.frames import frame

IDENTIFY, FATE, SESSION, PULSE, PULSE_FOR = 0x01, 0x05, 0x07, 0x10, 0x11
DONE_ANSWER, REFUSED_ANSWER, IDENTITY, FATE_ANSWER = 0x80, 0x82, 0x83, 0x86
STARTED, BYTE_MARKER = 0xC0, 0xC3


def until(box, true) -> None:
    """Polls until something is true, and fails after a time in which it ought to be."""
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline
        box.poll(10)


def send_all(box, codes, width_us: int) -> None:
    for code in codes:
        box.pulse(code, width_us)


def test_each_opening_begins_another_session(library, server):
    sessions = set()
    with library.open(server.where) as box:
        assert box.identity.session == 0
    for _ in range(3):
        with library.open(server.where) as box:
            sessions.add(box.identity.session)
    assert len(sessions) == 3
    assert 0 not in sessions


def test_no_marker_before_the_session_is_answered(library, lossy):
    sent = []
    lossy.loses_request = lambda kind, tag: sent.append(kind) is not None
    lossy.loses_answer = lambda kind, tag: kind == DONE_ANSWER and sent.count(SESSION) == 1
    with library.open(lossy.where) as box:
        box.wait(box.pulse(1))
    assert sent.count(SESSION) == 2
    assert sent.index(PULSE) > sent.index(SESSION) + 1


def test_a_frame_that_comes_twice_puts_out_one_marker(library, lossy):
    with library.open(lossy.where) as box:
        lossy.device.edges()
        lossy.repeats = lambda kind, tag: kind == PULSE
        assert box.wait(box.pulse(5)).outcome == DONE
        until(box, lambda: box.totals.strays == 1)  # the refusal of the second
        lossy.loses_answer = lambda kind, tag: kind == DONE_ANSWER
        marker = box.wait(box.pulse(6))  # only that refusal arrives
        assert (marker.outcome, marker.by_fate) == (DONE, 1)
    assert codes_of(lossy.device) == [5, 6]


def test_an_answer_that_is_passed_by_a_later_one_is_asked_for(library, lossy):
    asked = []
    lossy.loses_request = lambda kind, tag: asked.append(kind) is not None
    with library.open(lossy.where) as box:
        box.wait(box.pulse(1))
        lossy.loses_answer = lambda kind, tag: kind in (DONE_ANSWER, 0x81) and not lossy.lost
        lost = box.pulse(2)
        box.levels()
        box.levels()  # has to wait for the question for the fate
        assert asked[-3:] == [0x04, FATE, 0x04]
        assert box.marker(lost).by_fate == 1


def test_a_question_that_is_lost_is_asked_once_more(library, lossy):
    def loses(kind: int, tag: int) -> bool:
        asked = any(other == FATE_ANSWER for other, _ in lossy.lost)
        return kind in (DONE_ANSWER, 0x81) or (kind == FATE_ANSWER and not asked)

    with library.open(lossy.where) as box:
        lossy.loses_answer = loses
        marker = box.wait(box.pulse(5))
        assert (marker.outcome, marker.by_fate) == (DONE, 1)


def test_a_marker_that_waits_is_asked_about_once(library, lossy):
    asked = []
    settings = Settings(gap_us=500_000, width_us=1_000)
    lossy.inject(frame(0x29, 1, settings.pack()))
    with library.open(lossy.where) as box:
        assert box.settings().gap_us == 500_000
        box.wait(box.pulse(1))
        lossy.loses_request = lambda kind, tag: asked.append(kind) is not None
        number = box.pulse(2)
        for _ in range(5):
            box.levels()
        marker = box.wait(number)
        assert (marker.outcome, marker.by_fate) == (DONE, 0)
        assert asked.count(FATE) == 1


def test_an_unknown_fate_shows_a_start_that_went_unheard(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_request = lambda kind, tag: kind == PULSE
        lossy.loses_answer = lambda kind, tag: kind == STARTED
        number = box.pulse(5)
        lossy.device.start()
        assert WHYS[box.wait(number).why] == "RESTARTED"
        asked = []
        lossy.loses_request = lambda kind, tag: asked.append(kind) is not None
        assert box.wait(box.pulse(6)).outcome == DONE
        assert asked[:2] == [IDENTIFY, SESSION]
        assert box.totals.starts == 1
    assert (STARTED, 1) in lossy.lost


def test_an_earlier_box_time_shows_a_start_that_went_unheard(library, lossy):
    with library.open(lossy.where) as box:
        box.wait(box.set(1))
        lossy.loses_answer = lambda kind, tag: kind in (STARTED, DONE_ANSWER)
        box.pulse(2)
        deadline = time.monotonic() + 5
        while not lossy.lost:
            assert time.monotonic() < deadline
            time.sleep(0.001)
        lossy.device.start()
        lossy.loses_answer = lambda kind, tag: kind == STARTED
        assert box.wait(box.pulse(3)).outcome == DONE
        assert WHYS[box.marker(2).why] == "RESTARTED"
        assert box.wait(box.pulse(4)).outcome == DONE
        assert box.totals.starts == 1


def test_a_marker_held_back_over_a_start_is_not_sent(library, lossy):
    sent: list[int] = []
    told: list[int] = []
    restarted = []

    def loses_answer(kind: int, tag: int) -> bool:
        if kind == FATE_ANSWER and not restarted:
            restarted.append(True)
            lossy.device.start()
        told.append(kind)
        return STARTED not in told

    with library.open(lossy.where) as box:
        lossy.device.edges()
        history = box.identity.history
        reach = history - 2 - history // 8
        # A computer that is busy asks for a fate before the next marker must be held back: lost.
        lossy.loses_request = lambda kind, tag: (
            sent.append(kind) or (kind == FATE and sent.count(PULSE_FOR) < reach)
        )
        lossy.loses_answer = loses_answer
        with pytest.raises(ClientError, match=r"code \d+\) was held back .* not sent") as caught:
            send_all(box, range(1, 100), 1)
        assert caught.value.name == "RESTARTED"
        totals = box.totals
        assert totals.sent == reach
        assert totals.unconfirmed == totals.sent
        assert totals.starts == 1
        assert box.wait(box.pulse(200)).outcome == DONE
    assert codes_of(lossy.device) == [*range(1, totals.sent + 1), 200]


def test_another_session_ends_the_connection(library, lossy):
    with library.open(lossy.where) as box:
        lossy.inject(frame(SESSION, 200, bytes((1, 2, 3, 4))))
        lossy.loses_request = lambda kind, tag: kind == PULSE
        number = box.pulse(5)
        assert WHYS[box.wait(number).why] == "TAKEN"
        assert "another program began to use the box" in box.describe(number)
        with pytest.raises(ClientError, match="No marker was sent") as caught:
            box.pulse(6)
        assert caught.value.name == "GONE"
        assert box.totals.starts == 0


def test_a_link_that_loses_all_gets_a_new_session_before_its_tags_come_round(library, lossy):
    sent = []

    def loses(kind: int, tag: int) -> bool:
        sent.append(kind)
        return kind in (PULSE, FATE) and SESSION not in sent

    with library.open(lossy.where) as box:
        lossy.device.edges()
        lossy.loses_request = loses
        markers = [box.pulse(code) for code in range(1, 141)]
        box.wait_all()
        outcomes = [box.marker(number).outcome for number in markers]
        first = outcomes.index(DONE)
        assert 80 < first <= 100
        assert outcomes == [UNCONFIRMED] * first + [DONE] * (140 - first)
    assert codes_of(lossy.device) == list(range(first + 1, 141))


def test_a_box_that_answers_nothing_any_more_is_given_up(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_request = lambda kind, tag: True
        with pytest.raises(ClientError, match="does not answer any more") as caught:
            send_all(box, [1] * 120, 5_000)
        assert caught.value.name == "GONE"
        assert box.totals.unconfirmed == box.totals.sent <= 100
        with pytest.raises(ClientError, match="lost earlier"):
            box.pulse(1)


# Notices -----------------------------------------------------------------------------------------


def test_missing_notices_are_counted(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: kind == BYTE_MARKER and tag in (3, 4)
        lossy.device.byte_input(b"ABCDE")  # numbers 2 to 6
        until(box, lambda: box.totals.notices_lost)
        assert (box.totals.notices_lost, box.totals.byte_markers) == (2, 3)
        box.poll(50)
        assert box.totals.notices_lost == 2
        assert box.totals.starts == 0


def test_a_notice_that_comes_twice_is_counted_once(library, lossy):
    with library.open(lossy.where) as box:
        lossy.repeats = lambda kind, tag: kind == BYTE_MARKER
        lossy.device.byte_input(b"ABC")
        until(box, lambda: box.totals.strays == 3)
        assert (box.totals.byte_markers, box.totals.notices_lost) == (3, 0)


def test_numbers_of_notices_go_round(library, lossy):
    with library.open(lossy.where) as box:
        for count in range(10, 601, 10):
            lossy.device.byte_input(b"A" * 10)
            until(box, lambda count=count: box.totals.byte_markers == count)
        assert (box.totals.notices_lost, box.totals.strays) == (0, 0)


def test_counters_show_notices_that_numbers_do_not(library, lossy):
    with library.open(lossy.where) as box:
        assert box.counters().notices == 1
        lossy.loses_answer = lambda kind, tag: kind == BYTE_MARKER
        for _ in range(17):
            lossy.device.byte_input(b"A" * 15)
            box.poll(10)
        deadline = time.monotonic() + 10
        while len(lossy.lost) < 255:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        lossy.loses_answer = lambda kind, tag: False
        lossy.device.byte_input(b"B")
        until(box, lambda: box.totals.byte_markers == 1)  # its number is the one expected
        assert box.totals.notices_lost == 0
        assert box.counters().notices == 257
        until(box, lambda: box.totals.notices_lost)
        assert box.totals.notices_lost == 255
        lossy.device.byte_input(b"C")
        until(box, lambda: box.totals.byte_markers == 2)
        assert box.totals.notices_lost == 255


def test_notices_after_a_start_that_went_unheard_are_not_lost(library, lossy):
    with library.open(lossy.where) as box:
        lossy.device.byte_input(b"ABCDE")
        until(box, lambda: box.totals.byte_markers == 5)
        lossy.loses_answer = lambda kind, tag: kind == STARTED
        lossy.device.start()
        lossy.device.byte_input(b"A")  # number 2, after 6
        until(box, lambda: box.totals.starts)
        assert (box.totals.notices_lost, box.totals.starts) == (0, 1)


# Other versions, and what was there before -------------------------------------------------------


def test_longer_answers_and_notices_are_read(library, lossy):
    lossy.alters = lambda kind, body: body if kind == 0x88 else body + b"\x11\x22"
    with library.open(lossy.where) as box:
        assert box.wait(box.pulse(1, 200_000)).outcome == DONE
        assert box.wait(box.pulse(2)).cut_us < 200_000  # done noted
        assert box.wait(box.set(0)).outcome == DONE
        refused = box.wait(box.pulse(1, 4_000_000_000))
        assert (refused.reason, refused.detail) == (7, 3_600_000_000)
        lossy.loses_answer = lambda kind, tag: kind == DONE_ANSWER
        assert box.wait(box.set(3)).by_fate == 1
        lossy.loses_answer = lambda kind, tag: False
        box.set(0)
        box.sequence([(1, 1_000)])
        assert box.sequence_wait(5_000).played == 1
        assert (box.levels().outputs, box.settings().width_us) == (0, 5_000)
        assert box.counters().markers > 0
        lossy.device.byte_input(b"A")
        until(box, lambda: box.totals.byte_markers)
        lossy.device.start()
        until(box, lambda: box.totals.starts)
        assert box.totals.strays == 0


@pytest.mark.parametrize(("kind", "question"), [
    (0x84, "counters"), (0x85, "levels"), (0x87, "sequence_look"), (0x89, "settings"),
    (DONE_ANSWER, "clock"), (0x88, "capture_fetch"),
])  # fmt: skip
def test_answers_that_are_too_short_are_ignored_and_counted(library, lossy, kind, question):
    with library.open(lossy.where) as box:
        box.capture_start()
        cut = 11 if kind == 0x88 else 1  # the head of edges, and one of them
        lossy.alters = lambda other, body: body[:-cut] if other == kind else body
        with pytest.raises(ClientError, match="did not come") as caught:
            getattr(box, question)()
        assert caught.value.name == "NO_ANSWER"
        assert box.totals.strays >= 1


@pytest.mark.parametrize("kind", [DONE_ANSWER, 0x81, REFUSED_ANSWER])
def test_a_markers_answer_that_is_too_short_is_made_up_for(library, lossy, kind):
    with library.open(lossy.where) as box:
        lossy.alters = lambda other, body: body[:-1] if other == kind else body
        if kind == REFUSED_ANSWER:
            marker = box.wait(box.pulse(1, 4_000_000_000))
            assert (marker.reason, marker.has_detail) == (7, 0)
        elif kind == 0x81:
            box.wait(box.pulse(1, 500_000))
            marker = box.wait(box.pulse(2))
            assert marker.cut_us < 500_000
        else:
            marker = box.wait(box.pulse(1))
        assert marker.by_fate == 1
        assert box.totals.strays == 1


def test_notices_that_are_too_short_are_counted_and_no_more(library, lossy):
    with library.open(lossy.where) as box:
        lossy.alters = lambda kind, body: body[:-1] if kind >= STARTED else body
        lossy.device.byte_input(b"A")
        until(box, lambda: box.totals.strays == 1)
        assert (box.totals.byte_markers, box.totals.notices_lost) == (0, 0)


def test_an_identity_that_is_too_short_is_no_answer(library, lossy):
    lossy.alters = lambda kind, body: body[:-1] if kind == IDENTITY else body
    with pytest.raises(ClientError, match="answers as a marker box does"):
        library.open(lossy.where)


def test_what_came_in_before_is_dropped(library):
    far, near = os.openpty()
    tty.setraw(near)
    os.write(far, frame(IDENTITY, 1, bytes((9,) * 58)))  # as if it were the answer

    def answer() -> None:
        read = b""
        while b"\x01\x01\x02" not in read:
            read += os.read(far, 100)
        os.write(far, frame(REFUSED_ANSWER, 1, bytes((IDENTIFY, 3, 3, 0, 0, 0))))

    threading.Thread(target=answer, daemon=True).start()
    with pytest.raises(ClientError, match="protocol version 3"):
        library.open(os.ttyname(near))
    os.close(near)
    os.close(far)


def test_settings_of_another_version_are_told(library, lossy):
    lossy.alters = lambda kind, body: b"\3" + body[1:] if kind == 0x89 else body
    with library.open(lossy.where) as box:
        assert "kept settings are of another version" in box.text
        assert box.settings().origin == 3


def test_an_open_without_a_warning_has_no_text(library, server):
    with library.open(server.where) as box:
        assert box.text == ""
        assert box.settings().origin == 0
