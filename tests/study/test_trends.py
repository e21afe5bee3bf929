"""Trends that are there are found; where there is none, none is invented; nothing from too few."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from tallymark.study.measures import units_of
from tallymark.study.result_columns import RECORDINGS
from tallymark.study.study_summary import _plan_changes
from tallymark.study.trends import LEAST, _highest, trends

Row = dict[str, Any]


def study(count: int, seed: int = 1, boxes: int = 4, sites: int = 2) -> list[Row]:
    """Rows of a study in which nothing changes: markers are lost now and then, everywhere."""
    random = np.random.default_rng(seed)
    rows = []
    for number in range(count):
        row: Row = dict.fromkeys((column.name for column in RECORDINGS), None)
        date = datetime(2025, 1, 1, 9) + timedelta(days=300 * number / count)
        row |= {f"line{line}_told": 500 for line in range(8)}
        row |= {f"line{line}_wrong": int(random.poisson(0.2)) for line in range(8)}
        row |= {
            "name": f"r{number:04d}", "subject": f"{number}", "session": "1", "counted": True,
            "site": f"S{number % sites}", "box": f"B{number % boxes}",
            "amplifier": f"A{number // 3 % 3}", "date": date.isoformat(), "expected": 500,
            "missed": int(random.poisson(1.0) * random.integers(0, 3)), "merged": 0,
            "altered": int(random.poisson(0.3)), "extra": 0, "jitter_us": random.uniform(280, 300),
            "sampling_us": 288.7, "late_us": 0.0, "delay_us": random.lognormal(6, 0.1),
            "delay_jitter_us": random.lognormal(4, 0.2), "drift_ppm": random.normal(20, 1),
        }
        rows.append(row)
    return rows


def told(rows: list[Row]) -> list[tuple[str, str, str, str]]:
    return [(t.measure.name, t.group.factor, t.group.level, t.group.which)
            for t in trends(rows).found]


def test_no_trend_is_invented() -> None:
    invented = 0
    for seed in range(40):
        found = trends(study(60, seed), seed)
        invented += bool(found.found or found.ageing)
    assert invented <= 3  # at 1 % each, more than that comes once in 1,000 times


def test_one_bad_recording_is_no_trend() -> None:
    rows = study(60)
    rows[30]["missed"] = 400
    rows[12] |= {"altered": 200, "line3_wrong": 200}
    assert told(rows) == []


def test_a_bad_box_is_found_and_its_site_is_not_accused() -> None:
    rows = study(80)
    for row in rows:
        if row["box"] == "B1":
            row["missed"] += 40
    assert told(rows) == [("lost", "box", "B1", "all")]


def test_what_began_and_what_ended_is_found_with_its_day() -> None:
    rows = study(80)
    for row in rows:
        if row["box"] == "B2" and row["date"] >= "2025-06":
            row["line5_wrong"] += 30
            row["altered"] += 30
        if row["site"] == "S1" and row["date"] < "2025-04":
            row["delay_us"] *= 8
    found = trends(rows)
    began, ended = found.found
    assert (began.measure.name, began.group.factor, began.group.level) == ("line 5", "box", "B2")
    assert began.when.startswith(", since 2025-06")
    assert (ended.measure.name, ended.group.level, ended.group.which) == ("delay", "S1", "until")
    assert ended.when.startswith(", until 2025-03")
    assert "median 6" in began.text  # per cent
    assert len(began.names) == len([row for row in rows if row["box"] == "B2"
                                    and row["date"] >= "2025-06"])


def test_the_day_since_when_is_not_told_too_early() -> None:
    """A chance high value some sessions before the change is not its beginning."""
    for at, extent, before, more_us in (
        (57, "since", 3, 1), (60, "since", 3, 1), (60, "since", 3, 1_500), (60, "since", 2, 1),
        (60, "since", 1, 1), (60, "until", 3, 1),
    ):
        rows = study(160)
        changed = [row for row in rows if row["site"] == "S1"][::1 if extent == "since" else -1]
        for row in changed[at:]:
            row["delay_us"] += 2_000
        others = [row["delay_us"] for row in rows if row["site"] == "S0"]
        changed[at - before]["delay_us"] = max(others) + more_us
        (trend,) = (each for each in trends(rows).found if each.measure.name == "delay")
        assert trend.group.which == extent
        assert {*trend.names} == {row["name"] for row in changed[at:]}


def test_two_causes_are_both_found() -> None:
    rows = study(120)
    for row in rows:
        if row["box"] == "B1":
            row["missed"] += 60
        if row["amplifier"] == "A2" and row["date"] >= "2025-07":
            row["missed"] += 25
    assert sorted(told(rows)) == [("lost", "amplifier", "A2", "since"),
                                  ("lost", "box", "B1", "all")]


def test_what_can_not_be_told_apart_is_named_together() -> None:
    rows = study(60, boxes=3, sites=3)
    for row in rows:
        if row["box"] == "B2":
            row["missed"] += 50
    (trend,) = trends(rows).found
    groups = {(group.factor, group.level) for group in (trend.group, *trend.also)}
    assert groups == {("box", "B2"), ("site", "S2")}
    assert "can't be told" in trend.text


def test_nothing_is_said_from_too_few() -> None:
    rows = study(10)
    for row in rows[5:]:
        row["missed"] += 400
    found = trends(rows)
    assert (found.found, found.ageing) == ([], [])
    assert "nothing is said" in found.too_few[0]
    rows = study(60)
    for row in rows[: LEAST - 1]:
        row |= {"box": "B9", "missed": 450}
    found = trends(rows)
    assert found.found == []
    assert any("Box B9" in sentence for sentence in found.too_few)


def test_recordings_of_one_session_count_as_one() -> None:
    rows = study(60)
    for row in rows[20:44:4]:  # six runs of one bad session
        row |= {"subject": "same", "date": rows[20]["date"], "box": "B0", "site": "S0",
                "amplifier": "A0", "missed": 300}
    assert len(units_of(rows)) == 55
    assert told(rows) == []


def test_what_does_not_count_is_left_out() -> None:
    rows = study(80)
    for row in rows:
        if row["box"] == "B1":
            row |= {"missed": 400, "counted": False}
    assert told(rows) == []


def test_a_clock_that_ages_is_told_from_what_it_is_used_with() -> None:
    rows = study(90)
    for number, row in enumerate(rows):
        row["drift_ppm"] += {"A0": 0, "A1": 30, "A2": -40}[row["amplifier"]]
        if row["box"] == "B3":
            row["drift_ppm"] += 0.3 * number
    (clock,) = trends(rows).ageing
    assert (clock.group.factor, clock.group.level) == ("box", "B3")
    slope = 0.3 * 90 / 300 * 365.25 / 12
    assert clock.low < slope < clock.high


def test_plans_that_take_turns_have_no_date_of_change() -> None:
    rows = study(12)
    for number, row in enumerate(rows):
        row |= {"plan": "Ferry", "plan_digest": "aaaaaaaaaa" if number < 6 else "bbbbbbbbbb",
                "site": "S0"}
    (sentence,) = _plan_changes(rows)
    assert f"bbbbbbbb since {rows[6]['date'][:10]}" in sentence
    rows[8]["plan_digest"] = "aaaaaaaaaa"
    (sentence,) = _plan_changes(rows)
    assert "several versions" in sentence


def test_the_day_is_that_of_the_first_session_that_stands_out() -> None:
    for seed in range(12):
        rows = study(120, seed)
        began = [row for row in rows if row["site"] == "S0" and row["date"] >= "2025-07"]
        for row in began:
            row["delay_us"] += 3000
        trend = next(t for t in trends(rows).found if t.measure.name == "delay")
        assert trend.names == [row["name"] for row in began]


def test_one_very_bad_recording_hides_no_trend() -> None:
    rows = study(80)
    for row in rows:
        if row["box"] == "B1":
            row["missed"] += 8
    rows[30]["missed"] = 490
    assert told(rows) == [("lost", "box", "B1", "all")]


def test_no_group_is_smaller_than_allowed() -> None:
    ranks = np.zeros((1, 20))
    ranks[0, -1] = 4.0
    _, (_, _, which, places) = _highest(ranks, [("box", "B1", list(range(20)))])
    assert which == "since"
    assert len(places) == LEAST
