"""What there is to say of each marker: another code at the readback, too close, held."""

from __future__ import annotations

from typing import Any

import pytest

from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Edge
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.markerlog import LoggedMarker
from tallymark.page.sent_markers import Sent
from tallymark.page.sent_rows import SentRows, other_code_text
from tallymark.plan import from_mapping

SETTINGS = Settings()


class Session:
    """Markers that go out one second apart, through a wiring with faults."""

    def __init__(self, *faults: str) -> None:
        self.rows = SentRows(None, SETTINGS)
        self.table = Wiring(list(faults)).table()
        self.now_us = 0
        self.level = self.table[0]
        self.rows.widths.add([Edge(0, self.level)])

    def drive(self, code: int, at_us: int) -> None:
        if self.table[code] != self.level:
            self.level = self.table[code]
            self.rows.widths.add([Edge(at_us, self.level)])

    def send(self, code: int, stays: bool = False) -> None:
        self.now_us += 1_000_000
        at = self.now_us
        self.drive(code, at)
        if not stays:
            self.drive(0, at + 5_000)
        marker = LoggedMarker(1, code, None if stays else 5_000, box_us=at, host_us=at,
                              fate="done", stays=stays)
        self.rows.add(Sent(marker, "test"), SETTINGS)

    def told(self) -> tuple[int, int, list[str]]:
        self.rows.judged(self.now_us + 2e6)
        state: dict[str, Any] = self.rows.state()
        return (state["tally"]["other_code"], state["tally"]["unseen"],
                [f"{each['code']}: {each['text']}" for each in state["problems"]
                 if each["text"].startswith("readback")])


@pytest.mark.parametrize("stays", [False, True])
def test_a_code_that_reads_back_as_another_is_a_problem(stays):
    session = Session("open:1")
    session.send(3, stays)
    session.send(4, stays)
    session.send(6, stays)
    assert session.told() == (2, 0, [
        "3: readback saw code 1: line 1 did not move. Run the self-test.",
        "6: readback saw code 4: line 1 did not move. Run the self-test.",
    ])


def test_straight_wires_are_no_problem():
    session = Session()
    for code in (3, 4, 6, 255):
        session.send(code)
        session.send(code, stays=True)
    assert session.told() == (0, 0, [])


def test_what_is_not_seen_is_a_problem_once_others_are_seen_before_and_after():
    session = Session("open:1")
    session.send(2)
    assert session.told() == (0, 1, [])
    session.send(1)
    assert session.told() == (0, 1, [])
    session.send(2)
    assert session.told() == (0, 2, [])
    session.send(1)
    assert session.told() == (1, 1, [
        "2: readback saw nothing: line 1 did not move. Run the self-test."])


def test_a_readback_that_is_not_connected_proves_nothing():
    session = Session("unplugged")
    for code in (1, 2, 3):
        session.send(code)
    assert session.told() == (0, 3, [])


def test_an_edge_that_is_still_on_its_way_is_waited_for():
    session = Session()
    session.send(9)
    session.rows.widths.clear()
    session.send(9)
    session.rows.widths.clear()
    session.rows.widths.add([Edge(4_000_000, 0)])
    marker = LoggedMarker(1, 9, 5_000, box_us=5_000_000, fate="done", stays=False)
    session.rows.add(Sent(marker, "test"), SETTINGS)
    assert session.rows.judged(5_500_000) == []
    session.rows.widths.add([Edge(5_000_000, 9), Edge(5_005_000, 0)])
    (update,) = session.rows.judged(5_500_000)
    assert (update["seen_us"], update["seen_code"]) == (5_000, 9)


def test_nothing_is_said_of_a_time_whose_edges_are_missing():
    session = Session()
    session.send(1)
    session.send(3)
    session.rows.widths.miss([Edge(2_500_000, 0)])
    late = LoggedMarker(1, 5, 5_000, box_us=2_400_000, fate="done", stays=False)
    session.rows.add(Sent(late, "test"), SETTINGS)
    assert session.told() == (0, 0, [])


def test_nothing_is_said_of_a_marker_whose_edges_were_lost_on_the_way():
    session = Session()
    lost = LoggedMarker(1, 5, 5_000, box_us=1_000_000, fate="done", stays=False)
    session.rows.add(Sent(lost, "test"), SETTINGS)
    session.rows.widths.miss([Edge(1_500_000, 0)])
    session.rows.widths.add([Edge(1_500_000, 0)])
    session.now_us = 2_000_000
    session.send(1)
    assert session.told() == (0, 0, [])


def test_nothing_is_said_of_a_time_that_was_not_captured():
    session = Session()
    session.send(1)
    session.rows.judged(1_200_000)
    session.rows.widths.rest()
    for at_us in (1_300_000, 1_400_000):
        unseen = LoggedMarker(1, 5, 5_000, box_us=at_us, fate="done", stays=False)
        session.rows.add(Sent(unseen, "test"), SETTINGS)
        session.rows.widths.add([Edge(1_350_000, 0)])
    assert session.told() == (0, 1, [])
    session.send(1)
    assert session.told() == (1, 0, [
        "5: readback saw nothing: lines 0 and 2 did not move. Run the self-test."])


def test_lines_are_told_that_moved_as_well():
    assert other_code_text(17, 18) == (
        "readback saw code 18: line 0 did not move; line 1 was active as well. Run the self-test.")
    assert other_code_text(1, 7) == (
        "readback saw code 7: lines 1 and 2 were active as well. Run the self-test.")


def rows_of_plan() -> SentRows:
    plan = from_mapping({
        "name": "Ferry",
        "session": {"least_interval_us": 500_000, "width_us": 5_000},
        "event": [{"name": "horn", "code": 36, "count": 2}],
    })
    return SentRows(plan, SETTINGS)


def add(rows: SentRows, box_us: int, code: int = 36, **more: Any) -> None:
    marker = LoggedMarker(1, code, 5_000, box_us=box_us, host_us=box_us, fate="done", **more)
    rows.add(Sent(marker, "test"), SETTINGS)


def test_markers_closer_than_the_plan_has_are_too_close():
    rows = rows_of_plan()
    add(rows, 1_000_000)
    add(rows, 1_499_000)  # within what timers are good for
    add(rows, 1_699_000)
    state = rows.state()
    assert state["tally"]["too_soon"] == 1
    assert [each["text"] for each in state["problems"]] == [
        "too close: 200 ms after the one before; the plan has at least 500 ms"]


def test_tests_before_the_session_are_not_too_close_and_not_counted():
    rows = rows_of_plan()
    add(rows, 1_000_000, test=True)
    add(rows, 1_100_000)
    rows.begin_box_time()
    add(rows, 1_200_000)
    state = rows.state()
    assert state["tally"]["too_soon"] == 0
    assert state["counts"] == [["horn", 36, 2, 2, 2]]


def test_counts_begin_anew():
    rows = rows_of_plan()
    add(rows, 1_000_000)
    add(rows, 1_001_000)
    add(rows, 1_900_000, code=99)
    assert rows.state()["problem_count"] >= 2
    rows.count_from_now()
    state = rows.state()
    assert set(state["tally"].values()) == {0}
    assert (state["problem_count"], state["problems"]) == (0, [])
    assert state["counts"] == [["horn", 36, 2, 0, 0]]
    assert state["counted_since_us"] is not None
    rows.judged(9e6)
    assert rows.state()["tally"]["unseen"] == 0


def test_a_held_code_is_told_until_it_ends():
    rows = rows_of_plan()
    marker = LoggedMarker(1, 36, None, box_us=5, host_us=7, fate="done", stays=True)
    rows.add(Sent(marker, "test"), SETTINGS)
    assert rows.state()["held"] == {"code": 36, "name": "horn", "host_us": 7}
    rows.idle(4)  # the end of what was held before
    assert rows.state()["held"] is not None
    rows.idle(6)
    assert rows.state()["held"] is None


def test_the_code_of_the_signature_is_no_event():
    plan = from_mapping({
        "name": "Ferry",
        "signature": {"code": 255},
        "event": [{"name": "horn", "code": 36, "width_us": 5_000}],
    })
    rows = SentRows(plan, SETTINGS)
    add(rows, 1_000_000, code=255)
    assert rows.state()["tally"]["not_in_plan"] == 1
    assert [each["text"] for each in rows.state()["problems"]] == [
        "not an event: the plan keeps this code for whole session signatures"]
