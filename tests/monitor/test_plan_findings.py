"""Each fault of a program is found at its place, and nothing is found in a clean session."""

from __future__ import annotations

from pathlib import Path

import pytest
from simulated_program import Watched, at, ferry_plan, kinds, only

from tallymark import plan as plans
from tallymark.markerlog.marker_durations import durations
from tallymark.monitor import compare_log


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.jsonl"


@pytest.mark.parametrize("mode", ["pulse", "set", "limited"])
@pytest.mark.parametrize("gap_us", [0, 1000])
def test_a_clean_session_has_no_finding(path, mode, gap_us):
    settings = {"byte_mode": mode, "gap_us": gap_us}
    plan = ferry_plan(least_interval_us=20_000)
    with Watched(path, plan, settings=settings) as watched:
        for code in (9, 17, 36):
            if mode == "set":
                watched.send(code, pause_us=5_400)
                watched.send(0, pause_us=14_600)
            else:
                watched.send(code)
    found = watched.compared()
    assert kinds(found) == []
    assert found.clean
    assert found.remarks == []
    assert found.counts == [
        ("empty sea", 9, 1, 1, 1),
        ("ferry at left", 17, 1, 1, 1),
        ("horn", 36, 1, 1, 1),
    ]


def test_missing_events(path):
    plan = ferry_plan({"empty sea": 3, "ferry at left": None, "horn": 2})
    with Watched(path, plan) as watched:
        watched.send(9)
    found = watched.compared()
    assert kinds(found) == ["missing"] * 3
    assert [finding.count for finding in found.wrong] == [2, 1, 2]
    assert found.wrong[0].text == "'empty sea' (code 9) came once instead of 3 times."
    assert found.wrong[1].text == "'ferry at left' (code 17) never came."
    assert found.wrong[2].text == "'horn' (code 36) never came; twice in the plan."


def test_too_many_of_an_event(path):
    with Watched(path, ferry_plan()) as watched:
        watched.send(9, 17, 9, 36, 9)
    found = watched.compared()
    assert kinds(found) == ["too many"]
    assert at(found.wrong[0]) == [(3, 9), (5, 9)]


def test_a_code_that_is_not_in_the_plan_and_its_neighbour(path):
    with Watched(path, ferry_plan()) as watched:
        watched.send(9, 17, 36, 44, 200)
    found = watched.compared()
    assert kinds(found) == ["not in the plan"] * 2
    assert [at(finding) for finding in found.wrong] == [[(4, 44)], [(5, 200)]]
    assert "like 'horn' (code 36) except line 3" in found.wrong[0].text
    assert "like" not in found.wrong[1].text


def test_a_code_that_belongs_to_other_equipment(path):
    with Watched(path, ferry_plan(receiver={"reserved": [200]})) as watched:
        watched.send(9, 17, 36, 200)
    (finding,) = watched.compared().wrong
    assert "reserved for other equipment" in finding.text


def test_sooner_than_the_plans_least_interval(path):
    with Watched(path, ferry_plan(least_interval_us=20_000)) as watched:
        watched.send(9, pause_us=19_799)  # 1 % is allowed
        watched.send(17, pause_us=19_800)
        watched.send(36, pause_us=20_000)
    (finding,) = watched.compared().wrong
    assert (finding.kind, at(finding)) == ("too close", [(2, 17)])
    assert finding.places[0].note == "19.8 ms after 9"


def test_a_pulse_that_the_next_one_cuts(path):
    with Watched(path, ferry_plan()) as watched:
        watched.send(9)
        watched.send(17, pause_us=3_012)
        watched.send(36)
    finding = only(watched.compared().wrong, "cut")
    assert kinds(watched.compared()) == ["cut"]
    assert at(finding) == [(2, 17)]
    assert finding.places[0].note == "cut by 36 after 3.012 ms"
    assert "they should be there, but narrower" in finding.meaning
    begin = watched.data().header["host"]
    assert finding.places[0].time_s == (watched.data().markers[1].host_us - begin) / 1e6


def test_one_burst_is_one_finding(path):
    with Watched(path, ferry_plan(least_interval_us=10_000)) as watched:
        watched.send(9, pause_us=3_000)
        watched.send(17, pause_us=8_000)
        watched.send(36)
    found = watched.compared()
    assert kinds(found) == ["cut", "too close"]
    assert [at(finding) for finding in found.wrong] == [[(1, 9)], [(3, 36)]]


def test_a_cut_pulse_that_the_receiver_may_miss_and_one_that_is_gone(path):
    plan = ferry_plan({"empty sea": 2, "ferry at left": 1, "horn": 1})
    with Watched(path, plan) as watched:
        watched.send(9, 9, pause_us=1_500)
        watched.send(17, 36)
    finding = only(watched.compared().wrong, "cut")
    assert at(finding) == [(1, 9), (2, 9)]
    assert "2 of them are shorter than the 2 ms" in finding.meaning
    assert "Once the next was the same code" in finding.meaning


def test_markers_that_the_gap_delays_and_refuses(path):
    with Watched(path, ferry_plan(), settings={"gap_us": 2_000}) as watched:
        watched.send(9, pause_us=5_500)
        watched.send(17, pause_us=500)
        watched.send(36)
    found = watched.compared()
    assert kinds(found) == ["delayed", "refused"]
    # The one that waits is told when it goes out, after the one that it makes the box refuse.
    assert at(found.wrong[0]) == [(3, 17)]
    assert found.wrong[0].places[0].note == "waited 1.5 ms"
    assert at(found.wrong[1]) == [(2, 36)]
    assert found.wrong[1].text == (
        "Refused: 1 marker that came while another marker was waiting for its gap."
    )
    assert found.counts[2] == ("horn", 36, 1, 1, 0)


def test_a_waiting_marker_that_a_zero_cancels(path):
    settings = {"gap_us": 2_000, "byte_mode": "limited"}
    with Watched(path, ferry_plan({"empty sea": 1, "horn": 1}), settings=settings) as watched:
        watched.send(9, pause_us=1_000)
        watched.send(36, pause_us=500)  # cuts the one before and waits
        watched.send(0)
    found = watched.compared()
    # The one that was cancelled had cut the first one, and says so.
    assert durations(watched.data())[0][:2] == (1_000, "next")
    cancelled = only(found.wrong, "refused")
    assert at(cancelled) == [(2, 36)]
    assert cancelled.text == "Once a code 0 cancelled a marker that waited for a gap."


@pytest.mark.parametrize(
    ("settings", "why"),
    [
        ({"overlap": "refuse"}, "overlap"),
        ({"lines": [0, 3, 4]}, "outside lines"),
        ({"byte_mode": "off"}, "bytes off"),
    ],
)
def test_refused_markers(path, settings, why):
    with Watched(path, ferry_plan(), settings=settings) as watched:
        watched.send(9, 17, pause_us=20_000 if why != "overlap" else 6_000)
        if why == "overlap":
            watched.send(9, pause_us=1_000)
        watched.send(36)
    refused = only(watched.compared().wrong, "refused")
    expected = {
        "overlap": [(4, 36)],
        "outside lines": [(3, 36)],
        "bytes off": [(1, 9), (2, 17), (3, 36)],
    }
    assert at(refused) == expected[why]
    assert {place.note for place in refused.places} == {f"refused: {why}"}


def test_a_width_that_is_not_the_plans(path):
    with Watched(path, ferry_plan(width_us=20_000), settings={"width_us": 8_000}) as watched:
        watched.send(9, 17, 36)
    found = watched.compared()
    assert kinds(found) == ["width"] * 3
    assert [at(finding) for finding in found.wrong] == [[(1, 9)], [(2, 17)], [(3, 36)]]
    assert "(code 9) lasted 8 ms instead of 20 ms" in found.wrong[0].text
    assert "width_us=20ms" in found.wrong[0].remedy


def test_only_some_of_an_events_codes_had_the_wrong_width(path):
    plan = ferry_plan({"empty sea": 3, "ferry at left": 0, "horn": 0})
    with Watched(path, plan, settings={"byte_mode": "set"}) as watched:
        for us in (1_000, 2_000, 30_000):  # the last stays until another code comes
            watched.send(9, pause_us=us)
            watched.send(*() if us == 30_000 else (0,))
        watched.send(255)
        watched.send(0)
    width = only(watched.compared().wrong, "width")
    assert width.text == "'empty sea' (code 9) lasted 1 ms to 2 ms instead of 5 ms as " \
        "planned, 2 of 3 times."


def test_a_plan_of_several_widths_needs_the_bridge(path):
    plan = plans.from_mapping({
        "name": "Ferry",
        "event": [{"name": "a", "code": 1, "width_us": 5000},
                  {"name": "b", "code": 2, "width_us": 20000}],
    })
    with Watched(path, plan) as watched:
        watched.send(1, 2)
    (finding,) = watched.compared().wrong
    assert "'tallymark bridge' with this plan" in finding.remedy
    assert "settings change" not in finding.remedy


@pytest.mark.parametrize(("lasts_us", "wrong"), [(3_499, True), (3_500, False), (6_501, True)])
def test_a_width_that_the_program_times_itself(path, lasts_us, wrong):
    """It may be off by 1.5 samples."""
    with Watched(path, ferry_plan(), settings={"byte_mode": "set"}) as watched:
        for code, us in ((9, 5_000), (17, lasts_us), (36, 5_000)):
            watched.send(code, pause_us=us)
            watched.send(0)
    found = watched.compared()
    assert [at(finding) for finding in found.wrong] == ([[(3, 17)]] if wrong else [])


def test_a_code_that_is_replaced_with_no_zero_in_between(path):
    plan = ferry_plan({"empty sea": 1, "ferry at left": 2, "horn": 1})
    with Watched(path, plan, settings={"byte_mode": "set"}) as watched:
        watched.send(9, pause_us=12_000)
        watched.send(17, pause_us=5_000)
        watched.send(17, pause_us=5_000)
        watched.send(0)
        watched.send(36, pause_us=5_000)
        watched.send(0)
    (finding,) = watched.compared().wrong
    assert (finding.kind, at(finding)) == ("never idle", [(1, 9), (2, 17)])
    assert finding.places[0].note == "replaced by 17 after 12 ms"
    assert "Once it was the same code" in finding.meaning


def test_a_code_that_is_still_out_at_the_end(path):
    with Watched(path, ferry_plan(), settings={"byte_mode": "set"}) as watched:
        for code in (9, 17):
            watched.send(code, pause_us=5_000)
            watched.send(0)
        watched.send(36)
    (finding,) = watched.compared().wrong
    assert (finding.kind, at(finding)) == ("still out", [(5, 36)])
    # Until the log ended: the pause, and the last look at the box's counters.
    assert finding.text.endswith("was still on the lines when the log ended, 40 ms after it came.")


def test_a_code_that_the_hold_limit_ends(path):
    settings = {"byte_mode": "set", "hold_limit_us": 100_000}
    with Watched(path, ferry_plan(), settings=settings) as watched:
        for code in (9, 17):
            watched.send(code, pause_us=5_000)
            watched.send(0)
        watched.send(36, pause_us=300_000)
    (finding,) = watched.compared().wrong
    assert (finding.kind, at(finding)) == ("hold limit", [(5, 36)])
    assert "after its hold limit of 100 ms" in finding.text
    assert watched.data().holds_ended[0].code == 36


def test_zeros_that_do_nothing_are_a_remark(path):
    with Watched(path, ferry_plan()) as watched:
        watched.send(9, 0, 17, 0, 36, 0)
    found = watched.compared()
    assert found.clean
    assert at(only(found.remarks, "zeros")) == [(2, 0), (4, 0), (6, 0)]


def test_zeros_after_the_box_ended_the_pulse_are_a_remark(path):
    with Watched(path, ferry_plan(), settings={"byte_mode": "limited"}) as watched:
        watched.send(9, 0, 17, 0)
        watched.send(36, pause_us=4_000)
        watched.send(0)
    found = watched.compared()
    assert found.clean
    assert at(only(found.remarks, "zeros")) == [(2, 0), (4, 0)]


def test_bytes_of_which_the_box_could_not_tell(path):
    with Watched(path, ferry_plan({"empty sea": 1000})) as watched:
        watched.box.port.byte_input(bytes([9]) * 1000)
        watched.wait(20_000)
        watched.kept.look()
    data = watched.data()
    assert 0 < len(data.markers) < 1000
    assert sum(lost.count for lost in data.missing) == 1000 - len(data.markers)
    assert only(watched.compared().wrong, "not logged").count == 1000 - len(data.markers)
    assert any("Not in the log: " in note for note in data.notes())
    assert f"✗ Not in the log: {1000 - len(data.markers)} bytes" in watched.text.getvalue()


def test_late_and_unconfirmed_markers_of_a_log_that_the_host_sent(path):
    from tallymark.markerlog import MarkerLog

    with MarkerLog(path) as log:
        for number, code in enumerate((9, 17, 36), 1):
            log.sent(number, code, 5_000, None, log.begin_us + number * 20_000, False)
            if code == 17:
                log.unconfirmed(number, "no answer came")
            else:
                at_us = number * 20_000
                log.answered(number, at_us, log.begin_us + at_us, 10)
        log.late(1, 1_900)  # an idle computer is that late now and then
        log.late(3, 4_000)
    from tallymark import markerlog

    found = compare_log(ferry_plan(), markerlog.read(path))
    assert kinds(found) == ["unconfirmed", "late"]
    assert at(found.wrong[0]) == [(2, 17)]
    assert at(found.wrong[1]) == [(3, 36)]
    assert at(only(found.remarks, "late")) == [(1, 9)]
    assert found.wrong[1].places[0].time_s == 0.06


def test_markers_of_a_test_are_not_counted(path):
    from tallymark import markerlog

    with markerlog.MarkerLog(path) as log:
        for number, (code, box_us, cut_us) in enumerate(
            ((9, 1_000_000, None), (9, 2_000_000, None), (17, 2_003_000, 3_000)), 1
        ):
            log.sent(number, code, 5_000, None, log.begin_us + box_us, False, number == 1)
            log.answered(number, box_us, log.begin_us + box_us, 10, cut_us)
    found = compare_log(ferry_plan({"empty sea": 1}), markerlog.read(path))
    assert found.counts[0] == ("empty sea", 9, 1, 1, 1)
    (cut,) = [each for each in found.wrong if each.kind == "cut"]
    assert at(cut) == [(1, 9)]
    assert "cut by 17" in cut.places[0].note
    assert "1 marker of the log is a test before the session" in only(found.remarks, "log").text


def test_two_sessions_in_one_log(path):
    plan = ferry_plan({"empty sea": 2, "ferry at left": 2, "horn": 2})
    for append in (False, True):
        with Watched(path, plan, append=append) as watched:
            watched.send(9, 17, 36)
    found = watched.compared()
    assert found.clean
    assert "holds 2 sessions" in only(found.remarks, "log").text


def test_a_plan_that_was_changed_since(path):
    with Watched(path, ferry_plan()) as watched:
        watched.send(9, 17, 36)
    other = ferry_plan(least_interval_us=1_000)
    assert "changed since" in str(compare_log(other, watched.data()).remarks[0])


def test_a_plan_without_events_is_an_error(path):
    with Watched(path, ferry_plan()) as watched:
        watched.send(9)
    with pytest.raises(plans.PlanError, match="names no event"):
        compare_log(plans.Plan("empty"), watched.data())


def test_sentences_that_differ_in_numbers_are_one(path):
    from tallymark import markerlog
    from tallymark.markerlog import MarkerLog

    with MarkerLog(path) as log:
        for port in (40_001, 40_002):
            log.note(f"127.0.0.1:{port} was rejected: the first line was not the token.")
        log.note("The box is gone.")
    data = markerlog.read(path)
    first, second = data.notes()
    assert first.startswith("127.0.0.1:40001 was rejected")
    assert first.endswith("(2 times like that.)")
    assert second == "The box is gone."
