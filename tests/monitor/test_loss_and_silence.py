"""Losses, interruptions and silence while another program is monitored: each reported once."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from simulated_program import Watched, ferry_plan, kinds, only

from tallymark import Box, PortGone, markerlog
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Counters, Edge
from tallymark.markerlog import LoggedMarker, MarkerLog
from tallymark.monitor import compare_log
from tallymark.monitor.event_text import EventCounts, EventMessages
from tallymark.monitor.readback_recorder import SETTLE_US, LineDecoder
from tallymark.monitor.unreported_bytes import ByteAccounting


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.jsonl"


# The account --------------------------------------------------------------------------------------


def counters(input_bytes: int, input_lost: int = 0) -> Counters:
    """Notices as a box sends them."""
    return Counters(0, 0, 0, 0, 0, input_bytes, 0, 0, input_lost)


class Kept(ByteAccounting):
    """An account of answers that are given beforehand: (counters, how many bytes were told)."""

    def __init__(self, gap_us: int, *answers: tuple[Counters, int]) -> None:
        self.link = SimpleNamespace(starts=0)
        self.slept: list[float] = []
        self._answers: Iterator[tuple[Counters, int]] = iter(answers)
        pacing = SimpleNamespace(sleep=self.slept.append)
        super().__init__(SimpleNamespace(link=self.link, pacing=pacing), gap_us)  # type: ignore[arg-type]

    def _ask(self) -> tuple[Counters, int]:
        return next(self._answers)


def counts(losses: list) -> list[int]:
    return [loss.count for loss in losses]


def test_each_loss_is_told_once():
    account = Kept(0, (counters(0), 0), (counters(5), 4), (counters(9), 8), (counters(12), 9))
    assert [counts(account.look()) for _ in range(3)] == [[1], [], [2]]


def test_bytes_from_before_are_none_of_ours():
    account = Kept(0, (counters(100), 0), (counters(105), 5), (counters(107), 6))
    assert counts(account.look()) == []
    assert counts(account.look()) == [1]


def test_one_byte_may_wait_for_its_gap_but_not_at_the_end():
    answers = ((counters(0), 0), (counters(3), 2), (counters(4), 2), (counters(4), 2))
    account = Kept(20_000, *answers)
    assert counts(account.look()) == []
    assert counts(account.look()) == [1]
    assert account.slept == []
    assert counts(account.close()) == [1]
    assert account.slept[0] > 0.02


def test_a_byte_that_waited_at_the_begin_hides_no_loss():
    account = Kept(20_000, (counters(5), 4), (counters(6), 6), (counters(8), 7), (counters(8), 7))
    assert counts(account.look()) == []
    assert counts(account.look()) == []
    assert counts(account.close()) == [1]


def test_bytes_that_were_too_fast_are_told_once():
    account = Kept(0, (counters(0, 7), 0), (counters(5, 9), 5), (counters(5, 9), 5))
    assert counts(account.look()) == [2]
    assert counts(account.look()) == []


def test_a_box_that_starts_again_counts_from_nothing():
    after = (counters(4, 2), 3)
    account = Kept(0, (counters(50, 3), 10), (counters(60, 9), 12), after, after)
    assert counts(account.look()) == [8, 6]
    account.link.starts = 1
    assert counts(account.look()) == [1, 2]
    assert counts(account.look()) == []


def test_a_flood_before_and_after_a_start(path):
    with Watched(path, ferry_plan()) as watched:
        for flood in (1000, 500):
            watched.box.port.byte_input(bytes([9]) * flood)
            watched.wait(20_000)
            watched.kept.look()
            lost_before = watched.kept.lost
            watched.kept.look()
            assert watched.kept.lost == lost_before
            if flood == 1000:
                watched.box.port.power_failure()
                watched.wait(20_000)
    data = watched.data()
    missing = sum(lost.count for lost in data.missing)
    assert missing == watched.kept.lost == 1500 - len(data.markers)
    assert len(data.missing) == 2
    assert "The box started again" in watched.text.getvalue()


# Keeping a log ------------------------------------------------------------------------------------


def test_looking_is_no_sign_of_life(path):
    """A hold limit acts when the program is silent, though the log is being kept."""
    settings = {"byte_mode": "set", "hold_limit_us": 100_000}
    with Watched(path, ferry_plan(), settings=settings) as watched:
        watched.send(9, pause_us=0)
        for _ in range(10):
            watched.wait(50_000)
            watched.kept.look()
    (hold,) = watched.data().holds_ended
    assert hold.box_us - watched.data().markers[0].box_us == 100_000


@pytest.mark.parametrize("hold_limit_us", [0, 100_000])
def test_a_box_that_is_unplugged_is_told(path, hold_limit_us):
    looked = []

    def watch() -> None:
        with Watched(path, settings={"hold_limit_us": hold_limit_us}) as watched:
            watched.box.port.unplug()
            end = time.monotonic() + 10
            while watched.box.link.failure is None and time.monotonic() < end:
                time.sleep(0.01)
            looked.append(watched)
            watched.kept.look()
            looked.append("and all was well")

    with pytest.raises(PortGone):
        watch()
    assert len(looked) == 1


def test_silence_is_told_and_bytes_are_not_called_silence(path):
    with Watched(path) as watched:
        watched.wait(20_000)
    assert "No byte was received." in watched.text.getvalue()
    with Watched(path, append=True) as watched:
        watched.send(9)
    assert "No byte was received." not in watched.text.getvalue()


def test_an_input_that_is_off_is_bad(path):
    for mode, mark in (("off", "✗ The byte input is off"), ("pulse", "Each byte is a pulse")):
        with Watched(path, settings={"byte_mode": mode}, append=path.exists()) as watched:
            pass
        assert mark in watched.text.getvalue()
        assert ("✗ " + mark.removeprefix("✗ ") in watched.text.getvalue()) == (mode == "off")


# Lines --------------------------------------------------------------------------------------------


def test_a_code_counts_from_its_first_change_once_nothing_changed_for_long_enough():
    codes = LineDecoder(Settings())
    late = SETTLE_US - 1
    edges = [Edge(0, 0), Edge(1_000, 1), Edge(1_000 + late, 3), Edge(1_000 + 2 * late, 7)]
    assert codes.add(edges) == []
    assert codes.until(1_000 + 3 * late) == []
    assert codes.until(1_001 + 3 * late) == [(7, 1_000)]
    assert codes.bounces == 2
    assert codes.until(99_999) == []


def test_only_lines_in_use_count_and_idle_is_no_code_at_first():
    codes = LineDecoder(Settings(lines=0x0F).changed(idle="high"))
    edges = [Edge(0, 0xFF), Edge(1_000, 0x7F), Edge(2_000, 0x7E), Edge(3_000, 0xFF)]
    assert codes.add(edges) + codes.until(9_000) == [(1, 2_000), (0, 3_000)]
    begun = LineDecoder(Settings())
    assert begun.add([Edge(0, 5)]) + begun.until(9_000) == [(5, 0)]


# The comparison -----------------------------------------------------------------------------------


def test_times_of_two_starts_are_not_compared(path):
    plan = ferry_plan(least_interval_us=20_000)
    with Watched(path, plan) as watched:
        watched.send(9, pause_us=30_000)
        watched.box.port.power_failure()
        watched.wait(50_000)
        watched.send(17, pause_us=30_000)
        watched.send(36)
    assert kinds(watched.compared()) == []
    with MarkerLog(path.with_name("other.jsonl")) as log:
        for number, box_us in ((1, 1_000_000), (2, 1_000_500)):
            if number == 2:
                log.restarted("power")
            code = (9, 17)[number - 1]
            log.sent(number, code, 5_000, None, log.begin_us + number * 1_000_000, False)
            log.answered(number, box_us, log.begin_us + number * 1_000_000, 10)
    found = compare_log(
        ferry_plan({"empty sea": 1, "ferry at left": 1, "horn": 0}, least_interval_us=20_000),
        markerlog.read(path.with_name("other.jsonl")),
    )
    assert kinds(found) == []


def test_a_later_start_hides_no_interval_of_the_one_before(path):
    """Box time began anew, so that its markers have times between those of before."""
    with MarkerLog(path) as log:
        for number, (box_us, code) in enumerate(((1_000_000, 9), (1_008_000, 17), (1_004_000, 9))):
            if number == 2:
                log.restarted("power")
            host_us = log.begin_us + number * 1_000_000
            log.sent(number + 1, code, 2_000, None, host_us, False)
            log.answered(number + 1, box_us, host_us, 10)
    plan = ferry_plan({"empty sea": 2, "ferry at left": 1}, least_interval_us=20_000)
    found = compare_log(plan, markerlog.read(path))
    assert only(found.wrong, "too close").count == 1


def test_times_go_on_when_the_box_was_gone_and_begin_anew_in_another_session(path):
    start = 10

    def send(log):
        log.sent(1, 9, 5_000, None, (start + 5) * 1_000_000, False)
        log.unconfirmed(1, "no answer")

    with (
        Box.open("virtual://?time=stepped") as box,
        MarkerLog(path, now_us=lambda: start * 1_000_000) as log,
    ):
        send(log)
        start = 70
        log.next_part(box, box.settings.read())
        send(log)
    start = 500
    with MarkerLog(path, append=True, now_us=lambda: start * 1_000_000) as log:
        send(log)
    found = compare_log(ferry_plan({"empty sea": 3}), markerlog.read(path))
    places = only(found.wrong, "unconfirmed").places
    assert [place.time_s for place in places] == [5, 65, 5]
    remarks = " ".join(remark.text for remark in found.remarks)
    assert "opened again once" in remarks
    assert "2 sessions" in remarks


def test_what_was_refused_or_never_answered_did_not_go_out(path):
    with Watched(path, ferry_plan(), settings={"lines": [0, 3, 4]}) as watched:
        watched.send(9, 17, 36)
    assert [(code, sent, out) for _, code, _, sent, out in watched.compared().counts] == [
        (9, 1, 1), (17, 1, 1), (36, 1, 0)
    ]


def test_a_width_of_the_box_has_to_be_that_of_the_plan(path):
    """The box is exact: tolerance is for programs that time their codes themselves."""
    with Watched(path, ferry_plan(), settings={"width_us": 5_500}) as watched:
        watched.send(9, 17, 36)
    assert kinds(watched.compared()) == ["width"] * 3


def test_a_pulse_of_less_than_two_samples_may_be_missing(path):
    plan = ferry_plan(receiver={"sampling_rate": 500, "least_width_us": 0})
    with Watched(path, plan) as watched:
        watched.send(9, pause_us=3_900)
        watched.send(17, pause_us=4_100)
        watched.send(36)
    assert "1 of them is shorter than the 4 ms" in only(watched.compared().wrong, "cut").meaning


def test_intervals_are_those_at_which_the_program_sent(path):
    """One that waited for its gap came earlier than it went out."""
    plan = ferry_plan(least_interval_us=20_000)
    with Watched(path, plan, settings={"gap_us": 2_000}) as watched:
        watched.send(9, pause_us=5_500)
        watched.send(17, pause_us=20_000)
        watched.send(36)
    assert kinds(watched.compared()) == ["delayed"]


def test_one_more_than_planned_is_too_many(path):
    with Watched(path, ferry_plan()) as watched:
        watched.send(9, 17, 17, 36)
    (finding,) = watched.compared().wrong
    assert (finding.kind, finding.count, finding.places[0].entry) == ("too many", 1, 3)


def test_counts_of_events_with_one_code_are_added(path):
    from tallymark import plan as plans

    plan = plans.from_mapping({
        "name": "Ferry",
        "session": {"width_us": 5_000},
        "event": [{"name": "horn", "code": 9, "count": 2}, {"name": "bell", "code": 9, "count": 1}],
    })
    with Watched(path, plan) as watched:
        watched.send(9, 9, 9)
    assert kinds(watched.compared()) == []




# The counts on the screen ------------------------------------------------------------------------


def test_what_became_of_the_bytes_is_counted():
    story = EventMessages(ferry_plan(), Settings())
    for marker in (
        LoggedMarker(1, 9, 5_000, fate="done"),
        LoggedMarker(2, 9, 5_000, fate="done", cut_us=100),
        LoggedMarker(3, 17, 5_000, fate="done", late_us=3_000),
        LoggedMarker(4, 17, 5_000, fate="done", late_us=1_000),
        LoggedMarker(5, 36, 5_000, fate="unconfirmed"),
        LoggedMarker(6, 44, 5_000, fate="done"),
        LoggedMarker(7, 36, fate="refused", why="overlap"),
        LoggedMarker(8, 0, fate="refused", why="no marker"),
    ):
        story.follow(marker)
    assert story.tally == EventCounts(
        bytes=8, went_out=5, refused=1, unconfirmed=1, too_soon=2, not_in_plan=1, not_needed=1,
        late=1,
    )
